import { useSheet } from "../sheet";
import { FramePick } from "../parts/framepick";
import { Progress } from "../parts/progress";
import { Drawing } from "../parts/drawing";
import { Problem } from "../parts/notice";
import { useProof } from "../proving";

/** FirstPage takes last night's folder and answers with one sentence, the picture and the next test. */
export function FirstPage() {
  const { night, work, trouble, proved, prove, example, again, clear } = useProof();
  if (night && !proved) {
    return (
      <div class="first">
        <h1>{night.example ? "Inventing a night, and looking into it" : "Looking into the night"}</h1>
        <Progress work={work} trouble={trouble} doing={night.example ? "Rehearsing and reading subs" : "Reading subs"} again={again} />
        {work?.state !== "running" && (
          <button type="button" onClick={clear}>
            Another night
          </button>
        )}
      </div>
    );
  }
  if (night && proved) {
    const c = proved.causes[0];
    return (
      <div class="first">
        {night.example && (
          <p class="say">
            <b>This night is invented.</b> holdfast rehearsed sixteen subs with one fault in them, then looked at them as it would at yours.
          </p>
        )}
        <h1 class="verdict" aria-live="polite">
          {proved.sentence.split(" Change this first")[0].replace(/ %/g, "\u00a0%")}
        </h1>
        <div class="sheet">
          <Drawing svg={proved.strip_svg} />
        </div>
        {c?.next_test && (
          <p class="next">
            <b>The next test.</b> {c.next_test}
          </p>
        )}
        {c?.remedy && (
          <p class="next">
            <b>Change first.</b> {c.remedy}
          </p>
        )}
        <p class="row">
          <a class="button main" href="/proof">
            Why, and how sure
          </a>
          <button type="button" onClick={clear}>
            Another night
          </button>
        </p>
      </div>
    );
  }
  return (
    <div class="first">
      <h1>Why were last night’s stars drawn?</h1>
      <p class="lead">holdfast measures the stars of your subs, sets what made them into a ledger, and names the link of the chain to mend. It predicts the star a rig will make before it is bolted together. It does not guide.</p>
      <Problem trouble={trouble} />
      <FramePick folder label="Drop last night’s folder here" hint="Single subs as the camera wrote them (FITS, TIFF, DNG, PNG), ten or more of one target. If the guide program kept a record, drop it too, as series.csv. Nothing leaves this machine." picked={(files) => void prove(files)} />
      <div class="two">
        <section>
          <h2>No night at hand?</h2>
          <p class="say">Let holdfast invent one, with a fault in it, and see what it says.</p>
          <button type="button" class="main" onClick={() => void example()}>
            Show me an example
          </button>
        </section>
        <section>
          <h2>Before the night</h2>
          <RigDrop />
        </section>
      </div>
    </div>
  );
}

function RigDrop() {
  const { rig, use, rigTrouble } = useSheet();
  return (
    <>
      <p class="say">
        A rig file says what is bolted to what. {rig?.file ? `In use: ${rig.file}.` : "None is in use yet: everything is assumed."} See <a href="/star">the star it will make</a>, <a href="/path">whether it reaches focus</a>, <a href="/sky">what to hold on to</a>.
      </p>
      <Problem trouble={rigTrouble} />
      <label class="file">
        Use another rig file{" "}
        <input
          type="file"
          accept=".toml"
          onChange={async (e) => {
            const f = e.currentTarget.files?.[0];
            if (f) use(await f.text());
          }}
        />
      </label>
    </>
  );
}
