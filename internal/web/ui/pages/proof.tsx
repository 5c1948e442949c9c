import { useState } from "preact/hooks";
import { Drawing } from "../parts/drawing";
import { FramePick } from "../parts/framepick";
import { Lines } from "../parts/ledger";
import { Progress } from "../parts/progress";
import { Viewer } from "../parts/viewer";
import { causes, useProof, type Cause, type Proved, type ProofRow, type SubSeen } from "../proving";
import { useSheet } from "../sheet";
import { arcsec, fixed, terms } from "../words";

/** ProofPage shows what a night's subs say, and why. */
export function ProofPage() {
  const { night, work, trouble, proved, prove, again, clear } = useProof();
  const { rig } = useSheet();
  const [withRig, setWithRig] = useState(false);
  if (!night) {
    return (
      <>
        <h1>The morning after</h1>
        <p class="lead">Drop a night’s subs: holdfast measures every star, fills the ledger from them, and weighs each cause by how well it explains all of it.</p>
        {rig?.file && (
          <label class="check">
            <input type="checkbox" checked={withRig} onChange={(e) => setWithRig(e.currentTarget.checked)} /> They were taken with {rig.name || rig.file}
          </label>
        )}
        <FramePick folder label="Drop the night’s folder here" hint="Subs as the camera wrote them, and series.csv with what the guide camera measured, if there is one: it tells apart what subs alone cannot." picked={(f) => void prove(f, withRig)} />
      </>
    );
  }
  if (!proved) {
    return (
      <>
        <h1>Looking into the night</h1>
        <Progress work={work} trouble={trouble} doing="Reading subs" again={again} />
        {work?.state !== "running" && (
          <button type="button" onClick={clear}>
            Another night
          </button>
        )}
      </>
    );
  }
  return <Proof p={proved} example={night.example} clear={clear} />;
}

function Proof({ p, example, clear }: { p: Proved; example: boolean; clear(): void }) {
  return (
    <>
      {example && (
        <p class="say">
          <b>This night is invented.</b>
        </p>
      )}
      <h1 class="verdict">{p.sentence.replace(/ %/g, "\u00a0%")}</h1>
      <p class="say">
        The mean star is {arcsec(p.star.fwhm_arcsec, 2)} wide and {fixed(p.star.ellipticity, 2)} out of round{p.star.pa_deg !== null ? `, long along ${fixed(p.star.pa_deg, 0)}° (north through east)` : ""}; in the corner {arcsec(p.star_corner.fwhm_arcsec, 2)} and {fixed(p.star_corner.ellipticity, 2)}. {p.subs_within_goal} of {p.subs_judged} subs are within the goal.
      </p>
      <div class="proof-page">
        <section>
          <h2>Causes</h2>
          <ol class="causes">
            {p.causes
              .filter((c, i) => i === 0 || c.probability >= 0.02)
              .map((c, i) => (
                <CauseItem c={c} first={i === 0} subs={p.subs_judged} key={c.cause} />
              ))}
          </ol>
          {p.missing.length > 0 && (
            <>
              <h2>What would tell more</h2>
              <ul class="say">
                {p.missing.map((m) => (
                  <li key={m}>{m}</li>
                ))}
              </ul>
            </>
          )}
        </section>
        <section>
          <h2>Through the night</h2>
          <div class="sheet">
            <Drawing svg={p.strip_svg} />
          </div>
          <h2 class="later">The ledger as measured</h2>
          <Measured rows={p.ledger} />
          <Learned p={p} />
        </section>
      </div>
      <Subs subs={p.subs} />
      <p class="row">
        <a class="button" href="/api/report?of=proof" download="proof.html">
          Save it to print
        </a>
        <button type="button" onClick={clear}>
          Another night
        </button>
      </p>
    </>
  );
}

function CauseItem({ c, first, subs }: { c: Cause; first: boolean; subs: number }) {
  const percent = Math.round(100 * c.probability);
  return (
    <li class={first ? "likeliest" : ""}>
      <p class="row">
        <b class="percent">{percent} %</b>
        <b>{causes[c.cause] ?? c.cause}</b>
      </p>
      <svg viewBox="0 0 200 8" preserveAspectRatio="none" aria-hidden="true">
        <rect width="200" height="8" fill="none" stroke="var(--hair)" />
        <rect width={2 * percent} height="8" fill={first ? "var(--ink)" : "url(#ledger-hatch)"} stroke="var(--ink)" />
      </svg>
      {c.equivalent.length > 0 && <p class="say">This evidence cannot tell it from {c.equivalent.map((e) => (causes[e] ?? e).toLowerCase()).join(" or ")}.</p>}
      <details open={first}>
        <summary>Evidence</summary>
        <dl class="facts">
          {c.for.map((f) => (
            <>
              <dt>for</dt>
              <dd>{f}</dd>
            </>
          ))}
          {c.against.map((f) => (
            <>
              <dt>against</dt>
              <dd>{f}</dd>
            </>
          ))}
          {c.next_test && (
            <>
              <dt>next test</dt>
              <dd>{c.next_test}</dd>
            </>
          )}
          {c.remedy && (
            <>
              <dt>change</dt>
              <dd>{c.remedy}</dd>
            </>
          )}
          {c.gain && (
            <>
              <dt>gains</dt>
              <dd>
                {arcsec(c.gain.fwhm_arcsec, 2)} and {fixed(c.gain.ellipticity, 2)} out of round; {c.gain.subs_within_goal} of {subs} subs within the goal
              </dd>
            </>
          )}
        </dl>
      </details>
    </li>
  );
}

function Measured({ rows }: { rows: ProofRow[] }) {
  const unknown = rows.filter((r) => r.east_arcsec === null);
  return (
    <>
      <Lines rows={rows.filter((r) => r.east_arcsec !== null)} head="told" cell={(r) => r.why} />
      {unknown.length > 0 && <p class="say">Unknown: {unknown.map((r) => (terms[r.term] ?? r.term).toLowerCase()).join(", ")}. These frames do not tell.</p>}
    </>
  );
}

function Learned({ p }: { p: Proved }) {
  const { set, question, use } = useSheet();
  return (
    <>
      {p.learned.length > 0 && (
        <section>
          <h2>What the night taught</h2>
          <table>
            <tbody>
              {p.learned.map((l) => (
                <tr key={l.entry}>
                  <th scope="row">{l.entry}</th>
                  <td>{l.value}</td>
                  <td>
                    {question.set[l.entry] === l.value ? (
                      "adopted"
                    ) : (
                      <button type="button" class="small" onClick={() => set(l.entry, l.value)} aria-label={`Adopt ${l.entry} = ${l.value}`}>
                        adopt
                      </button>
                    )}
                  </td>
                </tr>
              ))}
            </tbody>
          </table>
        </section>
      )}
      {p.draft_rig && (
        <p class="row">
          <button type="button" onClick={() => use(p.draft_rig)}>
            Use the rig these subs describe
          </button>
          <a href={"data:text/plain;charset=utf-8," + encodeURIComponent(p.draft_rig)} download="rig.toml">
            Save it as a file
          </a>
        </p>
      )}
    </>
  );
}

function Subs({ subs }: { subs: SubSeen[] }) {
  const [shown, show] = useState<string | null>(null);
  return (
    <section class="subs">
      <h2>Its subs</h2>
      <div class="scroll" tabIndex={0} role="region" aria-label="The subs of the night">
        <table>
          <thead>
            <tr>
              <th scope="col">sub</th>
              <th scope="col">began, UTC</th>
              <th scope="col" class="q">
                stars
              </th>
              <th scope="col" class="q">
                width
              </th>
              <th scope="col" class="q">
                out of round
              </th>
              <th scope="col">goal</th>
            </tr>
          </thead>
          <tbody>
            {subs.map((s) => (
              <tr key={s.file}>
                <th scope="row">
                  <button type="button" class="plain" aria-expanded={shown === s.file} onClick={() => show(shown === s.file ? null : s.file)}>
                    {s.file.split("/").pop()}
                  </button>
                </th>
                {s.error ? (
                  <td colSpan={5}>{s.error}</td>
                ) : (
                  <>
                    <td>{s.start_utc.slice(11, 19)}</td>
                    <td class="q">{s.stars_found}</td>
                    <td class="q">{arcsec(s.star.fwhm_arcsec, 2)}</td>
                    <td class="q">{fixed(s.star.ellipticity, 2)}</td>
                    <td>{s.within_goal ? "within" : "beyond"}</td>
                  </>
                )}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      {shown && <Viewer file={shown} />}
    </section>
  );
}
