import { useEffect, useRef, useState } from "preact/hooks";
import { begin, useNote, useWork, type Envelope, type Trouble } from "../api";
import { Drawing } from "../parts/drawing";
import { FarSight } from "../parts/farsight";
import { FramePick } from "../parts/framepick";
import { Cautions, Problem } from "../parts/notice";
import { Progress } from "../parts/progress";
import { Seek } from "../parts/seek";
import { Watch } from "../parts/watch";
import { useSheet } from "../sheet";
import { steps, type Said, type Step } from "../steps";
import { three } from "../words";

/** Kept is what a step remembers. */
interface Kept {
  work?: string; // whose answer is shown
  files?: string[];
  guide?: string[];
  locked?: string[];
  others?: string[];
  presses?: Press[];
  positions?: Record<string, string>; // of the focuser, in turns
  choice?: Record<string, string | boolean>; // what was chosen beside frames
  lockedNow?: boolean; // frames that land from here on were taken after the lock
  short?: string; // the answer, for the list
  done?: boolean;
}

/** Press is a joint with its frames before, while and after it was pressed. */
interface Press {
  joint: string;
  files: string[];
}

interface Fitted {
  answer: any;
  text: string;
  do_svg: string;
  curve_svg: string;
}

/** mostFrames is how many frames of a step that gathers them are kept. */
const mostFrames = 60;

/** FittingPage is the order of work from bolting to the first sub. */
export function FittingPage() {
  const [kept, put, { ready }] = useNote<Record<string, Kept>>("fitting", {});
  const [at, setAt] = useNote<string>("fitting-step", steps[0].id);
  const [open, setOpen] = useState(false);
  // Frames land while others are measured: what was changed last counts, not what
  // was drawn last.
  const latest = useRef(kept);
  latest.current = kept;
  const change = (id: string, part: Partial<Kept>) => {
    latest.current = { ...latest.current, [id]: { ...latest.current[id], ...part } };
    put(latest.current);
  };
  const step = steps.find((s) => s.id === at) ?? steps[0];
  const ordered = steps.filter((s) => !s.test);
  const go = (s: Step) => {
    setAt(s.id);
    setOpen(false);
    document.getElementById("main")?.focus({ preventScroll: true });
    scrollTo({ top: 0 });
  };
  const list = (which: Step[], numbered: boolean) => (
    <ol>
      {which.map((s, i) => (
        <li key={s.id}>
          <button type="button" class={"plain" + (kept[s.id]?.done ? " ticked" : "")} aria-current={s === step ? "step" : undefined} onClick={() => go(s)}>
            <span class="n" aria-hidden="true">
              {kept[s.id]?.done ? "✓" : numbered ? i + 1 : "·"}
            </span>
            <span>
              {s.title}
              {kept[s.id]?.done && <span class="hidden"> done</span>}
              {kept[s.id]?.short && <small>{kept[s.id].short}</small>}
            </span>
          </button>
        </li>
      ))}
    </ol>
  );
  const i = steps.indexOf(step);
  return (
    <div class="fitting-page">
      <nav class={"steps" + (open ? " open" : "")} aria-label="Steps">
        <p class="where">
          <button type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
            {step.test ? "A test" : `Step ${i + 1} of ${ordered.length}`}
            <span aria-hidden="true"> ▾</span>
          </button>
        </p>
        <div class="lists">
          <h2>In this order</h2>
          {list(ordered, true)}
          <h2>Tests that part causes</h2>
          {list(
            steps.filter((s) => s.test),
            false,
          )}
        </div>
      </nav>
      {ready && (
        <StepView
          key={step.id}
          step={step}
          number={step.test ? 0 : i + 1}
          kept={kept[step.id] ?? {}}
          latest={() => latest.current[step.id] ?? {}}
          change={(part) => change(step.id, part)}
          back={i > 0 ? () => go(steps[i - 1]) : undefined}
          next={i + 1 < steps.length ? () => go(steps[i + 1]) : undefined}
        />
      )}
    </div>
  );
}

interface StepProps {
  step: Step;
  number: number;
  kept: Kept;
  latest(): Kept;
  change(part: Partial<Kept>): void;
  back?(): void;
  next?(): void;
}

/** enough reports whether a step has what its question needs. */
function enough(step: Step, k: Kept): boolean {
  if (step.joints) return !!k.presses?.length;
  if (step.id === "focus") return !!k.files?.length || !!k.locked?.length;
  return !!k.files?.length && (!step.guide || !!k.guide?.length) && (!step.others || !!k.others?.length);
}

/** asked is what is asked of the frames of a step. */
function asked(step: Step, k: Kept) {
  const files = step.joints ? [] : k.files ?? [];
  const places = files.map((f) => k.positions?.[f]?.trim() ?? "");
  return { ...step.asks, ...k.choice, files, guide: k.guide ?? [], locked: k.locked ?? [], others: k.others ?? [], presses: k.presses ?? [], positions: places.length > 1 && places.every((p) => p !== "") ? places.join(",") : "" };
}

function StepView({ step, number, kept, latest, change, back, next }: StepProps) {
  const { question } = useSheet();
  const { work, trouble } = useWork<Fitted>(kept.work);
  const [watched, setWatched] = useNote<{ imaging?: string; guide?: string }>("fitting-watch", {});
  const [wrong, setWrong] = useState<Trouble>();
  const [far, setFar] = useState(false);
  const [last, setLast] = useState<Envelope<Fitted>>();
  const waiting = useRef(false);
  const running = useRef(false);

  const ask = async () => {
    const k = latest();
    if (!enough(step, k)) {
      if (k.work) change({ work: undefined, short: undefined });
      setLast(undefined);
      return;
    }
    if (running.current) {
      waiting.current = true; // asked once more when this one has ended
      return;
    }
    running.current = true;
    setWrong(undefined);
    try {
      change({ work: await begin(step.verb, { set: question.set, target: question.target, date: question.date, sub: question.sub, ...asked(step, k) }) });
    } catch (e) {
      running.current = false;
      setWrong(e as Trouble);
    }
  };
  const bring = (part: Partial<Kept>) => {
    change(part);
    void ask();
  };
  const add = (which: "files" | "guide" | "locked" | "others", names: string[]) => {
    const many = step.many || which === "locked" || which === "others";
    bring({ [which]: many ? [...(latest()[which] ?? []).filter((f) => !names.includes(f)), ...names].slice(-mostFrames) : names.slice(-1) });
  };
  const state = work?.state;
  useEffect(() => {
    if (!work || work.id !== latest().work) return;
    running.current = work.state === "running";
    if (work.state === "done" && work.answer) {
      setLast(work.answer);
      const short = step.say(work.answer.result.answer).short;
      if (short !== latest().short) change({ short });
    }
    if (!running.current && waiting.current) {
      waiting.current = false;
      void ask();
    }
  }, [work?.id, state]);
  const clear = () => {
    setLast(undefined);
    waiting.current = false;
    change({ work: undefined, files: undefined, guide: undefined, locked: undefined, others: undefined, presses: undefined, positions: undefined, lockedNow: undefined, short: undefined });
  };
  const said = last && step.say(last.result.answer);
  const busy = !!kept.work && state !== "done";
  const any = !!(kept.files?.length || kept.guide?.length || kept.locked?.length || kept.others?.length || kept.presses?.length);
  const watch = (camera: "imaging" | "guide", which: "files" | "guide") =>
    !step.joints &&
    !step.others && (
      <Watch label={`Or as ${camera} frames land in`} folder={watched[camera] ?? ""} choose={(folder) => setWatched({ ...watched, [camera]: folder })} taken={(file) => add(latest().lockedNow ? "locked" : which, [file])} />
    );
  const list = (which: "files" | "guide" | "locked" | "others") => <Brought files={kept[which]} drop={(f) => bring({ [which]: latest()[which]?.filter((x) => x !== f) })} />;
  return (
    <section class="step" aria-label={step.title}>
      <h1>
        {number > 0 && <span class="n">{number}</span>} {step.title}
      </h1>
      <p class="lead">{step.teach}</p>
      {step.danger && <Cautions list={["Danger. " + step.danger]} />}
      {step.caution && !last?.cautions.length && <Cautions list={[step.caution]} />}
      <div class={said ? "work said" : "work"}>
        <div class="bring">
          {step.take && (
            <details class="take" open={!said}>
              <summary>{step.verb ? "What to take" : "What to look at"}</summary>
              <dl class="facts">
                {step.take.map(([what, how]) => (
                  <>
                    <dt>{what}</dt>
                    <dd>{how}</dd>
                  </>
                ))}
              </dl>
            </details>
          )}
          {step.id === "bolt" && (
            <p class="row">
              <a class="button main" href="/path">
                The light path says all three
              </a>
            </p>
          )}
          {step.id === "seek" && <Seek />}
          <Choices step={step} kept={kept} choose={(choice) => bring({ choice: { ...latest().choice, ...choice } })} />
          {step.files && !step.joints && (
            <>
              <FramePick key="files" label={step.files} many={step.many} picked={(names) => add("files", names)} />
              {step.camera && watch(step.camera, "files")}
              {step.id === "focus" ? <Run kept={kept} answer={last?.result.answer} bring={bring} latest={latest} /> : list("files")}
            </>
          )}
          {step.guide && (
            <>
              <FramePick key="guide" label={step.guide} many={step.many} picked={(names) => add("guide", names)} />
              {watch("guide", "guide")}
              {list("guide")}
            </>
          )}
          {step.others && (
            <>
              <FramePick key="others" label={step.others} many picked={(names) => add("others", names)} />
              {list("others")}
            </>
          )}
          {step.locked && !!kept.files?.length && (
            <>
              <FramePick key="locked" label={step.locked} many picked={(names) => add("locked", names)} />
              {watched.guide && (
                <label class="check">
                  <input type="checkbox" checked={!!kept.lockedNow} onChange={(e) => change({ lockedNow: e.currentTarget.checked })} /> It is locked now: frames that land from here on tell what that moved
                </label>
              )}
              {list("locked")}
            </>
          )}
          {step.joints && <Joints presses={kept.presses ?? []} bring={(presses) => bring({ presses })} />}
          {any && !enough(step, kept) && <p class="say">{missing(step, kept)}</p>}
          {any && (
            <p class="row">
              <button type="button" onClick={clear}>
                Begin again
              </button>
            </p>
          )}
        </div>
        <div class="answers">
          <Problem trouble={wrong} />
          {trouble && (
            <p class="row">
              <button type="button" onClick={() => void ask()}>
                Measure again
              </button>
            </p>
          )}
          {kept.work && busy && <Progress work={work} trouble={trouble} doing={last ? "Measuring the next" : "Measuring"} again={() => void ask()} />}
          {said && <Answer said={said} envelope={last} stale={busy} far={() => setFar(true)} />}
        </div>
      </div>
      {far && said?.far && <FarSight far={said.far} note={farNote(busy, state, wrong, work?.answer?.error)} close={() => setFar(false)} />}
      {step.answered && step.test && <p class="say">Answered {step.answered}.</p>}
      <p class="row ends">
        <label class="check">
          <input type="checkbox" checked={!!kept.done} onChange={(e) => change({ done: e.currentTarget.checked })} /> Done
        </label>
        <span class="grow" />
        {back && (
          <button type="button" onClick={back}>
            Back
          </button>
        )}
        {next && (
          <button type="button" class={kept.done ? "main" : ""} onClick={next}>
            {step.test || number < steps.filter((s) => !s.test).length ? "Next" : "To the tests"}
          </button>
        )}
      </p>
    </section>
  );
}

/** farNote says how new the figure is. */
function farNote(busy: boolean, state: string | undefined, wrong: Trouble | undefined, error: string | undefined): string {
  if (wrong) return wrong.message;
  if (!busy) return "";
  if (state === "failed") return `the last frame told nothing: ${error ?? "it could not be measured"}`;
  return state === "running" || state === undefined ? "measuring the next…" : "stopped";
}

/** missing says what a step still wants. */
function missing(step: Step, k: Kept): string {
  if (step.guide) return k.files?.length ? "Now the guide camera’s." : "Now the imaging camera’s.";
  if (step.others) return k.files?.length ? "Now the changed subs." : "Now the usual subs.";
  return "";
}

/** Answer is what a step says. */
function Answer({ said, envelope, stale, far }: { said: Said; envelope: Envelope<Fitted>; stale: boolean; far(): void }) {
  const r = envelope.result;
  const todo = (
    <>
      {said.list?.map((round) => (
        <>
          {round.head && <p class="round">{round.head}</p>}
          <ol class="do">
            {round.items.map((x) => (
              <li key={x}>{x}</li>
            ))}
          </ol>
        </>
      ))}
      {r.do_svg && (
        <div class="sheet">
          <Drawing svg={r.do_svg} />
        </div>
      )}
    </>
  );
  return (
    <div class={"answer" + (stale ? " former" : "")}>
      <p class="head" aria-live="polite">
        {said.head}
      </p>
      <Cautions list={envelope.cautions} />
      {said.aside ? (
        <details>
          <summary>To bring it there all the same</summary>
          {todo}
        </details>
      ) : (
        todo
      )}
      {said.far && said.far.length > 0 && (
        <p class="row">
          <button type="button" class="main" onClick={far}>
            Far sight
          </button>
          <span class="say">one figure, to be read from the other end of the telescope</span>
        </p>
      )}
      {said.body && <p class="body">{said.body}</p>}
      {r.curve_svg && (
        <div class="sheet">
          <Drawing svg={r.curve_svg} />
        </div>
      )}
      {said.facts && said.facts.length > 0 && (
        <dl class="facts">
          {said.facts.map(([what, value]) => (
            <>
              <dt>{what}</dt>
              <dd>{value}</dd>
            </>
          ))}
        </dl>
      )}
      {envelope.assumed.length > 0 && (
        <details>
          <summary>What was assumed ({envelope.assumed.length})</summary>
          <ul class="assumed">
            {envelope.assumed.map((a) => (
              <li key={a.entry}>
                <b>{a.entry}</b> {a.value} <span class="say">{a.why}</span>
              </li>
            ))}
          </ul>
        </details>
      )}
      <details>
        <summary>All of it, as the command says it</summary>
        <pre tabIndex={0}>{r.text}</pre>
      </details>
    </div>
  );
}

/** Brought lists the frames of a step, each to be taken out again. */
function Brought({ files, drop }: { files?: string[]; drop(file: string): void }) {
  if (!files?.length) return null;
  return (
    <ul class="brought">
      {files.slice(-12).map((f) => (
        <li key={f}>
          <span>{base(f)}</span>
          <button type="button" class="small" aria-label={`Take ${base(f)} out`} onClick={() => drop(f)}>
            out
          </button>
        </li>
      ))}
      {files.length > 12 && <li class="say">and {files.length - 12} before them</li>}
    </ul>
  );
}

/** base is a file's name without its folder, and without what a drop put before it. */
function base(path: string): string {
  const name = path.slice(path.lastIndexOf("/") + 1);
  return path.startsWith("kept/") ? name.replace(/^[0-9a-f]{8}-/, "") : name;
}

/** Run lists the frames of a focus in the order taken, each with the place of the focuser if that is known. */
function Run({ kept, answer, bring, latest }: { kept: Kept; answer?: any; bring(part: Partial<Kept>): void; latest(): Kept }) {
  const files = kept.files ?? [];
  if (!files.length) return null;
  const of = new Map<string, { hfd_px: number | null; disc_px: number | null; stars: number }>((answer?.frames ?? []).map((r: any) => [r.file, r]));
  const places = files.filter((f) => kept.positions?.[f]?.trim()).length;
  return (
    <>
      <table class="run">
        <thead>
          <tr>
            <th scope="col">frame</th>
            <th scope="col" class="q">
              stars
            </th>
            <th scope="col" class="q">
              width, px
            </th>
            <th scope="col">
              at <small>turns out</small>
            </th>
            <th scope="col">
              <span class="hidden">take it out</span>
            </th>
          </tr>
        </thead>
        <tbody>
          {files.map((f, i) => (
            <tr key={f}>
              <th scope="row">
                {i + 1}. {base(f)}
              </th>
              <td class="q">{of.get(f)?.stars ?? "–"}</td>
              <td class="q">{three(of.get(f)?.hfd_px)}</td>
              <td>
                <input
                  value={kept.positions?.[f] ?? ""}
                  size={4}
                  inputMode="decimal"
                  aria-label={`Turns that the focuser was out, frame ${i + 1}`}
                  onChange={(e) => bring({ positions: { ...latest().positions, [f]: e.currentTarget.value.replace(",", ".") } })}
                />
              </td>
              <td>
                <button type="button" class="small" aria-label={`Take ${base(f)} out`} onClick={() => bring({ files: latest().files?.filter((x) => x !== f) })}>
                  out
                </button>
              </td>
            </tr>
          ))}
        </tbody>
      </table>
      <p class="hint">
        {places > 0 && places < files.length
          ? "The places count once every frame has one."
          : "Where the focuser stood, counted in turns from the first frame, outward positive, says the way and the best position. Left empty, the frames are compared in their order."}
      </p>
    </>
  );
}

/** Choices are what a step asks beside frames. */
function Choices({ step, kept, choose }: { step: Step; kept: Kept; choose(choice: Record<string, string | boolean>): void }) {
  const c = kept.choice ?? {};
  const radio = (name: string, legend: string, values: [string | boolean, string][], now: string | boolean) => (
    <fieldset class="choice">
      <legend>{legend}</legend>
      {values.map(([v, text]) => (
        <label key={text}>
          <input type="radio" name={name} checked={now === v} onChange={() => choose({ [name]: v })} /> {text}
        </label>
      ))}
    </fieldset>
  );
  const text = (name: string, label: string, example: string) => (
    <label>
      {label} <input value={(c[name] as string) ?? ""} placeholder={example} size={Math.max(example.length, 8)} onChange={(e) => choose({ [name]: e.currentTarget.value.trim() })} />
    </label>
  );
  switch (step.id) {
    case "focus":
      return radio(
        "imaging",
        "Which telescope",
        [
          [false, "guide"],
          [true, "imaging"],
        ],
        c.imaging === true,
      );
    case "sight":
      return radio(
        "tube",
        "The tube’s side of the pier",
        [
          ["west", "west"],
          ["east", "east"],
        ],
        (c.tube as string) ?? "west",
      );
    case "pole":
      return (
        <details class="more">
          <summary>A turn of the knobs</summary>
          <p class="row">
            {text("altitude_turn", "altitude", "30 arcmin")}
            {text("azimuth_turn", "azimuth", "60 arcmin")}
          </p>
          <label class="check">
            <input type="checkbox" checked={c.held === true} onChange={(e) => choose({ held: e.currentTarget.checked })} /> A guide star was held in declination meanwhile: only the turn of the field tells
          </label>
        </details>
      );
    case "drive":
      return (
        <details class="more">
          <summary>The columns of a table that is not holdfast’s own</summary>
          <p class="row">
            {text("columns", "columns", "time=1,ra=3,dec=4")}
            {text("units", "units", "arcsec")}
          </p>
        </details>
      );
  }
  return null;
}

const jointNames = ["front ring", "rear ring", "shoe", "focuser", "camera", "clutch"];

/** Joints gathers the frames of joints pressed one by one. */
function Joints({ presses, bring }: { presses: Press[]; bring(presses: Press[]): void }) {
  const [joint, setJoint] = useState(jointNames[0]);
  const [wrong, setWrong] = useState("");
  return (
    <>
      <p class="row">
        <label>
          Joint{" "}
          <input value={joint} list="joints" onInput={(e) => setJoint(e.currentTarget.value)} size={16} />
          <datalist id="joints">
            {jointNames.map((j) => (
              <option key={j} value={j} />
            ))}
          </datalist>
        </label>
      </p>
      <FramePick
        key={joint}
        many
        label={`Bring the frames of the ${joint || "joint"}`}
        hint="Before, while it was pressed, and after, by their names’ order."
        picked={(files) => {
          if (files.length < 2 || files.length > 3 || !joint.trim()) {
            setWrong(`Found ${files.length} frames: want three, before, while and after${joint.trim() ? "" : ", and the joint’s name"}.`);
            return;
          }
          setWrong("");
          bring([...presses.filter((p) => p.joint !== joint.trim()), { joint: joint.trim(), files: [...files].sort() }]);
          setJoint(jointNames[jointNames.indexOf(joint) + 1] ?? "");
        }}
      />
      {wrong && (
        <p class="wrong" role="alert">
          {wrong}
        </p>
      )}
      {presses.length > 0 && (
        <ul class="brought">
          {presses.map((p) => (
            <li key={p.joint}>
              <span>
                <b>{p.joint}</b> {p.files.map(base).join(", ")}
              </span>
              <button type="button" class="small" aria-label={`Take ${p.joint} out`} onClick={() => bring(presses.filter((x) => x !== p))}>
                out
              </button>
            </li>
          ))}
        </ul>
      )}
    </>
  );
}
