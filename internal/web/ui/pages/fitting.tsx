import { useEffect, useRef, useState } from "preact/hooks";
import { begin, get, useAnswer, useNote, useWork, type Trouble } from "../api";
import { FarSight } from "../parts/farsight";
import { FramePick, type Item } from "../parts/framepick";
import { Cautions, Problem } from "../parts/notice";
import { Progress } from "../parts/progress";
import { useSheet } from "../sheet";
import { steps, type Step } from "../steps";
import { fixed } from "../words";

/** Kept is what a step remembers. */
interface Kept {
  work?: string;
  files?: string[];
  guide?: string[];
  done?: boolean;
}

/** FittingPage is the order of work from bolting to the first sub. */
export function FittingPage() {
  const [kept, put] = useNote<Record<string, Kept>>("fitting", {});
  const [at, setAt] = useNote<string>("fitting-step", steps[0].id);
  const step = steps.find((s) => s.id === at) ?? steps[0];
  const list = (test: boolean) =>
    steps
      .filter((s) => !!s.test === test)
      .map((s, i) => (
        <li key={s.id}>
          <button type="button" class="plain" aria-current={s === step ? "step" : undefined} onClick={() => setAt(s.id)}>
            {test ? "" : `${i + 1}. `}
            {s.title}
            {kept[s.id]?.done && <span class="done"> done</span>}
          </button>
        </li>
      ));
  return (
    <div class="fitting-page">
      <nav class="steps" aria-label="Steps">
        <h2>In this order</h2>
        <ol>{list(false)}</ol>
        <h2>Tests that separate causes</h2>
        <ol>{list(true)}</ol>
      </nav>
      <StepView key={step.id} step={step} kept={kept[step.id] ?? {}} put={(k) => put({ ...kept, [step.id]: k })} next={() => setAt(steps[Math.min(steps.indexOf(step) + 1, steps.length - 1)].id)} />
    </div>
  );
}

function StepView({ step, kept, put, next }: { step: Step; kept: Kept; put(k: Kept): void; next(): void }) {
  const { question } = useSheet();
  const { work, trouble } = useWork<{ answer: any; text: string }>(kept.work);
  const [wrong, setWrong] = useState<Trouble>();
  const [far, setFar] = useState(false);
  const start = async (k: Kept) => {
    setWrong(undefined);
    if (!k.files?.length || (step.guide && !k.guide?.length)) {
      put(k);
      return;
    }
    try {
      put({ ...k, work: await begin(step.verb, { set: question.set, files: k.files, guide: k.guide ?? [] }) });
    } catch (e) {
      setWrong(e as Trouble);
      put(k);
    }
  };
  const answer = work?.state === "done" ? work.answer : undefined;
  const said = answer && step.say?.(answer.result.answer);
  return (
    <section class="step" aria-label={step.title}>
      <h1>{step.title}</h1>
      <p class="lead">{step.teach}</p>
      {step.caution && <Cautions list={["Danger. " + step.caution]} />}
      {step.id === "bolt" && (
        <p class="row">
          <a class="button" href="/path">
            To the light path
          </a>
        </p>
      )}
      {step.id === "seek" && <Seek />}
      {step.frames && <FramePick key="imaging" label={step.frames} many={step.many} picked={(files) => void start({ ...kept, files })} />}
      {step.guide && <FramePick key="guide" label={step.guide} many={step.many} picked={(guide) => void start({ ...kept, guide })} />}
      {step.guide && !kept.work && (kept.files?.length || kept.guide?.length) ? <p class="say">{kept.files?.length ? "Now the guide camera’s." : "Now the imaging camera’s."}</p> : null}
      {step.frames && !step.guide && <Watch taken={(file) => void start({ ...kept, files: step.many ? [...(kept.files ?? []), file].slice(-40) : [file] })} />}
      <Problem trouble={wrong} />
      {kept.work && !answer && <Progress work={work} trouble={trouble} doing="Measuring" again={() => void start(kept)} />}
      {said && (
        <div class="answer" aria-live="polite">
          <p class="head">{said.head}</p>
          <Cautions list={answer!.cautions} />
          <p class="row">
            {said.figure && (
              <button type="button" class="main" onClick={() => setFar(true)}>
                Far sight
              </button>
            )}
            {step.many && (
              <button type="button" onClick={() => put({})}>
                Begin again
              </button>
            )}
          </p>
          <details>
            <summary>All of it</summary>
            <pre tabIndex={0}>{answer!.result.text}</pre>
          </details>
        </div>
      )}
      {far && said?.figure && <FarSight figure={said.figure} word={said.word ?? ""} left={said.left ?? null} close={() => setFar(false)} />}
      <p class="row ends">
        <label class="check">
          <input type="checkbox" checked={!!kept.done} onChange={(e) => put({ ...kept, done: e.currentTarget.checked })} /> Done
        </label>
        {!step.test && (
          <button type="button" onClick={next}>
            Next step
          </button>
        )}
      </p>
    </section>
  );
}

/** Watch takes frames as they land in a folder. */
function Watch({ taken }: { taken(file: string): void }) {
  const [folder, setFolder] = useState("");
  const [folders, setFolders] = useState<Item[]>([]);
  const latest = useRef(taken);
  latest.current = taken;
  useEffect(() => {
    get<Item[]>("/api/folder?path=")
      .then((top) => Promise.all(top.filter((t) => t.path !== "kept").map((t) => get<Item[]>("/api/folder?path=" + encodeURIComponent(t.path)).then((inner) => [t, ...inner.filter((i) => i.folder)]))))
      .then((lists) => setFolders(lists.flat()))
      .catch(() => setFolders([]));
  }, []);
  useEffect(() => {
    if (!folder) return;
    const source = new EventSource("/api/watch?path=" + encodeURIComponent(folder));
    source.onmessage = (m) => latest.current(m.data);
    return () => source.close();
  }, [folder]);
  if (!folders.length) return <p class="hint">Start holdfast with --folder to have frames taken as they land.</p>;
  return (
    <label class="check">
      Or take frames as they land in{" "}
      <select value={folder} onChange={(e) => setFolder(e.currentTarget.value)}>
        <option value="">no folder</option>
        {folders.map((f) => (
          <option key={f.path} value={f.path}>
            {f.path}
          </option>
        ))}
      </select>
      {folder && <span role="status"> watching</span>}
    </label>
  );
}

interface Seek {
  targets: { name: string; kind: string; altitude_deg: number; azimuth_deg: number; v_mag: number; shows_turns: number | null; shows_always: boolean; advice: string }[];
  refused: { name: string; why: string }[];
  ladder: { do: string; target: string; exposure_s: number; why: string }[];
  why: string;
}

/** Seek says what bright targets look like now. */
function Seek() {
  const { question, stamp, ready } = useSheet();
  const [exposure, setExposure] = useState("2 s");
  const { envelope, trouble } = useAnswer<Seek>("seek", ready ? { set: question.set, exposure } : null, 300, stamp);
  const s = envelope?.result;
  return (
    <div>
      <label class="check">
        Exposure of the guide camera <input value={exposure} size={8} onInput={(e) => setExposure(e.currentTarget.value)} />
      </label>
      <Problem trouble={trouble} />
      <Cautions list={envelope?.cautions} />
      {s && (
        <>
          {s.targets.length === 0 && <p class="say">{s.why || "Nothing bright is up that may be aimed at."}</p>}
          {s.targets.length > 0 && (
            <table>
              <thead>
                <tr>
                  <th scope="col">aim at</th>
                  <th scope="col" class="q">
                    up
                  </th>
                  <th scope="col" class="q">
                    towards
                  </th>
                  <th scope="col">shows</th>
                </tr>
              </thead>
              <tbody>
                {s.targets.slice(0, 6).map((t) => (
                  <tr key={t.name}>
                    <th scope="row">{t.name}</th>
                    <td class="q">{fixed(t.altitude_deg, 0)}°</td>
                    <td class="q">{fixed(t.azimuth_deg, 0)}°</td>
                    <td>{t.shows_always ? "over all of the travel" : t.shows_turns !== null ? `out to ${fixed(t.shows_turns, 1)} turns from focus` : t.advice}</td>
                  </tr>
                ))}
              </tbody>
            </table>
          )}
          {s.ladder.length > 0 && (
            <>
              <h2 class="later">From finding to fine focus</h2>
              <ol>
                {s.ladder.map((l) => (
                  <li key={l.do + l.target}>
                    {l.do} <span class="say">{l.why}</span>
                  </li>
                ))}
              </ol>
            </>
          )}
        </>
      )}
    </div>
  );
}
