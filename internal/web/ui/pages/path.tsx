import { useState } from "preact/hooks";
import { useAnswer } from "../api";
import { Drawing } from "../parts/drawing";
import { Cautions, Problem } from "../parts/notice";
import { EntryTag } from "../parts/tag";
import { useSheet } from "../sheet";
import { fixed, three } from "../words";

interface Stack {
  spacers_mm: number[];
  length_mm: number;
  focuser_out_mm: number;
  turns: number | null;
  slide_mm: number;
}

interface Path {
  kind: string;
  spacer_min_mm: number | null;
  spacer_max_mm: number | null;
  spacer_middle_mm: number | null;
  focuser_turns: number | null;
  filter_shift_mm: number;
  zone_turns: number | null;
  stacks: Stack[];
  reaches_focus: boolean;
  pointing_arcmin_per_turn: number | null;
  load_kg: number;
  load_share: number;
  findings: { part: string; ok: boolean; text: string }[];
}

const telescope = ["guide.spacers", "guide.back_focus", "guide.focuser.travel", "guide.focuser.pitch", "guide.camera.flange", "guide.filter_glass", "guide.nosepiece_slide", "guide.rear_thread", "guide.aperture", "guide.focal"];
const prism = ["guide.prism.off_axis", "guide.prism.angle", "guide.prism.width", "guide.prism.height", "guide.prism.to_imaging", "guide.prism.to_guide"];

/** PathPage shows how the light reaches focus and how the parts hold together. */
export function PathPage() {
  const { question, ready, stamp, entries } = useSheet();
  const [stack, setStack] = useState(0);
  const { envelope, trouble } = useAnswer<Path, { train: string; shoe: string; pickoff: string }>("path", ready ? { set: question.set, stack } : null, 0, stamp);
  const p = envelope?.result;
  if (!p) return trouble ? <Problem trouble={trouble} /> : <p class="say">Tracing the light…</p>;
  const bad = p.findings.filter((f) => !f.ok);
  const named = (p.kind === "pickoff" ? prism : telescope).filter((e) => entries.has(e));
  if (p.kind === "none") {
    return (
      <>
        <h1>No guide camera, no light path.</h1>
        <p class="lead">This rig has none: guide.kind is none. Set it to piggyback for a small telescope beside the imaging telescope, or to pickoff for a prism in front of the imaging camera.</p>
        <EntryTag path="guide.kind" />
      </>
    );
  }
  return (
    <>
      <h1 class="verdict">
        <em>{p.reaches_focus ? "It reaches focus." : "It does not reach focus."}</em> {p.kind === "piggyback" && p.stacks[stack] && sayStack(p.stacks[stack])}
        {p.kind === "piggyback" && !p.stacks.length && p.spacer_min_mm !== null && ` Spacers must add up to between ${fixed(p.spacer_min_mm, 1)} and ${fixed(p.spacer_max_mm, 1)} mm, best ${fixed(p.spacer_middle_mm, 1)}.`}
      </h1>
      <Problem trouble={trouble} />
      {envelope?.drawings?.train && (
        <div class="sheet wide" tabIndex={0} role="region" aria-label="The light path, to scale">
          <Drawing svg={envelope.drawings.train} />
        </div>
      )}
      <div class="two">
        <section>
          {p.kind === "piggyback" ? (
            <>
              <h2>
                Stacks that reach focus <small>from the spacers on hand</small>
              </h2>
              {p.stacks.length ? (
                <Stacks p={p} chosen={Math.min(stack, p.stacks.length - 1)} choose={setStack} />
              ) : (
                <p class="say">None of the spacers on hand reaches focus. Set the spacers you have, or could buy, below.</p>
              )}
              {p.spacer_min_mm !== null && (
                <p class="say">
                  In all they may be {fixed(p.spacer_min_mm, 1)} to {fixed(p.spacer_max_mm, 1)} mm long; {fixed(p.spacer_middle_mm, 1)} mm puts focus in the middle of the travel. Adapters count as spacer.{p.filter_shift_mm > 0.05 ? ` Filters in front of the sensor move focus ${fixed(p.filter_shift_mm, 1)} mm away.` : ""}
                </p>
              )}
              {p.zone_turns !== null && <p class="say">Within {three(p.zone_turns)} of a turn of best focus it no longer matters.</p>}
            </>
          ) : (
            <div class="sheet">
              <Drawing svg={envelope?.drawings?.pickoff} />
            </div>
          )}
          <h2 class="later">What it is computed from</h2>
          <p class="tags">
            {named.map((e) => (
              <EntryTag path={e} key={e} />
            ))}
          </p>
        </section>
        <section>
          <h2>{bad.length ? "What to look at" : "Everything fits"}</h2>
          <ul class="findings">
            {[...bad, ...p.findings.filter((f) => f.ok)].map((f) => (
              <li key={f.text} class={f.ok ? "" : "look"}>
                <b>{f.ok ? "fits" : "look"}</b> {f.text}
              </li>
            ))}
          </ul>
          {envelope?.drawings?.shoe && (
            <>
              <h2 class="later">
                The holder from behind <small>{fixed(p.pointing_arcmin_per_turn, 0)}′ of pointing a turn at one ring</small>
              </h2>
              <div class="sheet">
                <Drawing svg={envelope.drawings.shoe} />
              </div>
              <p class="hint">F is the front ring, R the rear. Loosen the opposite screws first, and never all screws of a ring.</p>
            </>
          )}
        </section>
      </div>
      <h2 class="later">Mind</h2>
      <Cautions list={envelope?.cautions} />
    </>
  );
}

/** sayStack says a stack as a hand would follow it. */
function sayStack(s: Stack): string {
  const parts = s.spacers_mm.length ? `With ${s.spacers_mm.map(String).join(" + ")} mm of spacer` : "With no spacer";
  const turns = s.turns !== null ? ` ${fixed(s.turns, 1)} turns out` : ` ${fixed(s.focuser_out_mm, 1)} mm out`;
  return `${parts}, focus lies${turns}${s.slide_mm > 0 ? ` and the nosepiece is drawn out ${fixed(s.slide_mm, 1)} mm` : ""}.`;
}

function Stacks({ p, chosen, choose }: { p: Path; chosen: number; choose(i: number): void }) {
  return (
    <table class="stacks">
      <thead>
        <tr>
          <th scope="col">spacers</th>
          <th scope="col" class="q">
            mm
          </th>
          <th scope="col" class="q">
            turns out
          </th>
          <th scope="col">
            <span class="hidden">where in the travel</span>
          </th>
        </tr>
      </thead>
      <tbody>
        {p.stacks.map((s, i) => {
          const share = p.focuser_turns && s.turns !== null ? s.turns / p.focuser_turns : null;
          return (
            <tr key={i}>
              <th scope="row">
                <label>
                  <input type="radio" name="stack" checked={i === chosen} onChange={() => choose(i)} /> {s.spacers_mm.length ? s.spacers_mm.map(String).join(" + ") : "none"}
                </label>
              </th>
              <td class="q">{fixed(s.length_mm, 1)}</td>
              <td class="q">{fixed(s.turns, 1)}</td>
              <td class="bars">
                {share !== null && (
                  <svg viewBox="0 0 200 16" preserveAspectRatio="none" role="img" aria-label={`${Math.round(100 * share)} % of the travel`}>
                    <path d="M1 8H199M1 2V14M199 2V14" stroke="var(--soft)" vector-effect="non-scaling-stroke" />
                    <rect x={Math.min(Math.max(200 * share - 2, 0), 196)} y="2" width="4" height="12" fill="var(--ink)" />
                  </svg>
                )}
              </td>
            </tr>
          );
        })}
      </tbody>
    </table>
  );
}
