import { useEffect, useRef, useState } from "preact/hooks";
import { useAnswer } from "../api";
import { AskBar } from "../parts/askbar";
import { Drawing } from "../parts/drawing";
import { Ledger, type Row } from "../parts/ledger";
import { Cautions, Problem } from "../parts/notice";
import { Sliders } from "../parts/sliders";
import { Spread } from "../parts/spread";
import { useSheet } from "../sheet";
import { arcsec, clock, day, fixed, long, three } from "../words";

export interface StarShape {
  fwhm_arcsec: number;
  fwhm_px: number;
  ellipticity: number;
  pa_deg: number | null;
}

export interface Gain {
  change: string;
  fwhm_arcsec: number;
  ellipticity: number;
  ellipticity_corner: number;
  verdict: string;
  sets: string;
}

export interface Plan {
  rig: string;
  target: { name: string };
  night: { date: string; dark_from_utc: string; dark_to_utc: string; window_from_utc: string; window_to_utc: string; flip_utc: string | null; utc_offset_h: number };
  sub_s: number;
  image_scale_arcsec_px: number;
  guide_scale_arcsec_px: number | null;
  star: StarShape;
  star_corner: StarShape;
  star_p10: StarShape;
  star_p90: StarShape;
  verdict: string;
  verdict_probability: number | null;
  reason: string;
  weak_link: string | null;
  ledger: Row[];
  ledger_corner: Row[];
  goal_fwhm_arcsec: number;
  goal_ellipticity: number;
  goal_ellipticity_corner: number;
  best: { utc: string; altitude_deg: number };
  needs_guiding: boolean;
  longest_round_sub_unguided_s: number | null;
  guide_star: { source: string; vt_mag: number | null; snr: number; exposure_s: number; advice: string; probability: number | null } | null;
  loop: { interval_s: number; cycle_s: number; gain_ra: number; gain_dec: number; dead_band_arcsec: number; rms_ra_arcsec: number; rms_dec_arcsec: number } | null;
  longest_round_sub_s: number | null;
  best_sub_s: number | null;
  best_sub_why: string;
  polar_limits: { why: string; arcmin: number | null }[];
  gains: Gain[];
}

const words: Record<string, string> = { round: "Round.", soft: "Soft.", drawn: "Drawn.", unknown: "Open." };

/** StarPage shows the star that the rig will make, why, and what to change. */
export function StarPage() {
  const { question, ready, rig, stamp } = useSheet();
  const [place, setPlace] = useState<"centre" | "corner">("centre");
  // A target that was chosen for the person stays while a slider moves: to
  // choose takes longer than to work the star out.
  const chosen = useRef({ date: "", name: "" });
  const pinned = question.target === "" && chosen.current.name && chosen.current.date === question.date + stamp ? { ...question, target: chosen.current.name } : question;
  const quick = useAnswer<Plan, { centre: string; corner: string }>("star", ready ? pinned : null, 0, stamp);
  const whole = useAnswer<Plan, { centre: string; corner: string }>("plan", ready ? question : null, 350, stamp);
  const p = quick.envelope?.result;
  // What takes longer belongs to the question it answered; until the newest is
  // answered it is shown as the former one's.
  const [wholeFor, setWholeFor] = useState("");
  useEffect(() => {
    if (!whole.waiting && whole.envelope) setWholeFor(JSON.stringify(question) + stamp);
  }, [whole.waiting, whole.envelope]);
  const current = wholeFor === JSON.stringify(question) + stamp;
  const w = whole.envelope?.result;
  if (p && question.target === "") chosen.current = { date: question.date + stamp, name: p.target.name };
  if (!p) return quick.trouble ? <Missing trouble={quick.trouble} /> : <p class="say">Working out the star…</p>;
  const star = place === "centre" ? p.star : p.star_corner;
  const verdict = current && w ? w.verdict : p.verdict;
  return (
    <>
      <AskBar title={p.target.name} night={`${day(p.night.date)}, best at ${clock(p.best.utc, p.night.utc_offset_h)}, ${fixed(p.best.altitude_deg, 0)}° up`} sub={long(p.sub_s)} />
      <Problem trouble={quick.trouble} />
      <Cautions list={quick.envelope?.cautions.filter((c) => c.startsWith("Danger. "))} />
      <div class="star-page">
        <section aria-label="The star">
          <div class="sheet">
            <Drawing svg={quick.envelope?.drawings?.[place]} />
          </div>
          <div class="row places" role="group" aria-label="Where on the sensor">
            <button type="button" aria-pressed={place === "centre"} onClick={() => setPlace("centre")}>
              Centre
            </button>
            <button type="button" aria-pressed={place === "corner"} onClick={() => setPlace("corner")}>
              Corner
            </button>
            <span class="say">
              {arcsec(p.image_scale_arcsec_px, 2)} a pixel; {fixed(star.fwhm_px, 1)} pixels wide
            </span>
          </div>
          <h1 class="verdict" aria-live="polite">
            <em>{words[verdict] ?? verdict}</em> {arcsec(star.fwhm_arcsec)} wide and {fixed(star.ellipticity, 2)} out of round {place === "centre" ? "at the centre" : "in the corner"}.
          </h1>
          <p class="say">{current && w ? w.reason : p.reason}</p>
          {place === "centre" && (
            <div class={current ? "" : "stale"}>
              <Spread name="width, arcsec" unit="″" decimals={1} low={current ? w?.star_p10.fwhm_arcsec : null} value={p.star.fwhm_arcsec} high={current ? w?.star_p90.fwhm_arcsec : null} goal={p.goal_fwhm_arcsec} />
              <Spread name="out of round" unit="" decimals={2} low={current ? w?.star_p10.ellipticity : null} value={p.star.ellipticity} high={current ? w?.star_p90.ellipticity : null} goal={p.goal_ellipticity} />
              <p class="say">The bars hold four nights of five, for what the rig file leaves uncertain.{current && w && w.verdict_probability !== null ? ` ${Math.round(100 * w.verdict_probability)} % of the rigs that fit it share the verdict.` : ""}</p>
            </div>
          )}
          <Sliders rows={p.ledger} sub={p.sub_s} />
        </section>
        <div>
          <section aria-label="What makes the star">
            <h2>What widens the star {place === "centre" ? "at the centre" : "in the corner"}</h2>
            <Ledger rows={place === "centre" ? p.ledger : p.ledger_corner} weak={current && w ? w.weak_link : p.weak_link} />
          </section>
          <div class="two">
            <section aria-label="What a change would bring" class={current ? "" : "stale"}>
              <h2>
                What a change would bring <small>{current ? "most first" : "being worked out…"}</small>
              </h2>
              {w && <Gains plan={w} />}
            </section>
            <section aria-label="Holding the star">
              <h2>Holding it</h2>
              <Holding p={p} w={current ? w : undefined} />
            </section>
          </div>
        </div>
      </div>
      {rig && <Foot />}
    </>
  );
}

function Missing({ trouble }: { trouble: Parameters<typeof Problem>[0]["trouble"] }) {
  return (
    <>
      <AskBar title="The star" night="" sub="" />
      <Problem trouble={trouble} />
    </>
  );
}

function Gains({ plan }: { plan: Plan }) {
  const { set } = useSheet();
  if (!plan.gains.length) return <p class="say">Nothing that a person can change would make this star tighter or rounder.</p>;
  return (
    <table class="gains">
      <thead>
        <tr>
          <th scope="col">change</th>
          <th scope="col" class="q">
            width
          </th>
          <th scope="col" class="q">
            out of round
          </th>
          <th scope="col">
            <span class="hidden">try it</span>
          </th>
        </tr>
      </thead>
      <tbody>
        <tr class="now">
          <th scope="row">as it is</th>
          <td class="q">{arcsec(plan.star.fwhm_arcsec, 2)}</td>
          <td class="q">{fixed(plan.star.ellipticity, 2)}</td>
          <td />
        </tr>
        {plan.gains.map((g) => {
          const one = /^([a-z_.]+)\s*=\s*([^,;]+)$/.exec(g.sets);
          return (
            <tr key={g.change}>
              <th scope="row">{g.change}</th>
              <td class="q">{arcsec(g.fwhm_arcsec, 2)}</td>
              <td class="q">{fixed(g.ellipticity, 2)}</td>
              <td>
                {one && (
                  <button type="button" class="small" onClick={() => set(one[1], one[2].trim().replace(/^"|"$/g, ""))} aria-label={"Try: " + g.change}>
                    try
                  </button>
                )}
              </td>
            </tr>
          );
        })}
      </tbody>
    </table>
  );
}

function Holding({ p, w }: { p: Plan; w?: Plan }) {
  return (
    <dl class="facts">
      <dt>Needed</dt>
      <dd>
        {p.needs_guiding ? "Yes" : "No: it would be round without correction too"}
        {w?.longest_round_sub_unguided_s ? `; uncorrected, a sub stays round for ${long(w.longest_round_sub_unguided_s)}` : ""}
      </dd>
      {p.guide_star && (
        <>
          <dt>Guide star</dt>
          <dd>
            {p.guide_star.vt_mag !== null ? `VT ${fixed(p.guide_star.vt_mag, 1)}` : "expected from counts"}, SNR {three(p.guide_star.snr)} in {long(p.guide_star.exposure_s)}
            {p.guide_star.advice ? `. ${p.guide_star.advice}` : ""}
          </dd>
        </>
      )}
      {p.loop && (
        <>
          <dt>Settings</dt>
          <dd>
            a correction every {long(p.loop.cycle_s)}; gain {fixed(p.loop.gain_ra, 2)} in RA, {fixed(p.loop.gain_dec, 2)} in Dec; dead band {arcsec(p.loop.dead_band_arcsec, 2)}
          </dd>
          <dt>Leaves</dt>
          <dd>
            {arcsec(p.loop.rms_ra_arcsec, 2)} rms in RA, {arcsec(p.loop.rms_dec_arcsec, 2)} in Dec, the air apart
          </dd>
        </>
      )}
      {w && (
        <>
          <dt>Stays round</dt>
          <dd>up to {long(w.longest_round_sub_s)}</dd>
          {w.best_sub_s !== null && (
            <>
              <dt>Best sub</dt>
              <dd>
                {long(w.best_sub_s)}: {w.best_sub_why}
              </dd>
            </>
          )}
          {w.polar_limits.length > 0 && (
            <>
              <dt>Polar axis</dt>
              <dd>
                <ul>
                  {w.polar_limits.map((l) => (
                    <li key={l.why}>
                      <b>{l.arcmin === null ? "any" : `within ${three(l.arcmin)}′`}</b> {l.why}
                    </li>
                  ))}
                </ul>
              </dd>
            </>
          )}
        </>
      )}
    </dl>
  );
}

/** Foot lists what was set on the page and offers the rig as a file. */
function Foot() {
  const { question, unset, rig, kept } = useSheet();
  const changed = Object.entries(question.set);
  const file = URL.createObjectURL(new Blob([rig!.text], { type: "text/plain" }));
  useEffect(() => () => URL.revokeObjectURL(file), [file]);
  return (
    <footer class="foot">
      {changed.length > 0 && (
        <p>
          Set here:{" "}
          {changed.map(([e, v]) => (
            <button type="button" class="tag set-here" key={e} onClick={() => unset(e)} aria-label={`Take back ${e} = ${v}`}>
              {e} = {v} ✕
            </button>
          ))}
        </p>
      )}
      <p class="say">
        {rig!.file ? `The rig is that of ${rig!.file}; it is not written to. ` : ""}
        <a href={file} download="rig.toml">
          Save the rig as it stands here
        </a>
        {" · "}
        <a href="/api/report?of=plan" download="plan.html">
          Save this plan to print
        </a>
        {kept ? "" : " · keeping…"}
      </p>
    </footer>
  );
}

