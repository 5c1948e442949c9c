import { useState } from "preact/hooks";
import { useAnswer } from "../api";
import { useSheet } from "../sheet";
import { sentence } from "../steps";
import { fixed, long } from "../words";
import { Cautions, Problem } from "./notice";

interface Look {
  turns: number | null;
  defocus_mm: number;
  patch_px: number;
  shows: boolean;
  shows_binned: number;
  says: string;
}

interface Target {
  name: string;
  kind: string;
  altitude_deg: number;
  azimuth_deg: number;
  looks: Look[];
  shows_turns: number | null;
  shows_mm: number;
  shows_always: boolean;
  advice: string;
}

interface SeekAnswer {
  utc: string;
  guide_scale_arcsec_px: number;
  width_arcmin: number;
  height_arcmin: number;
  targets: Target[];
  refused: { name: string; why: string }[];
  ladder: { do: string; target: string; exposure_s: number; bin: number; why: string }[];
  why: string;
}

const winds = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];

/** Seek says what bright targets look like now on the guide camera, and how to go from finding one to fine focus. */
export function Seek() {
  const { question, stamp, ready } = useSheet();
  const [exposure, setExposure] = useState("2 s");
  const [chosen, setChosen] = useState("");
  const { envelope, trouble } = useAnswer<SeekAnswer>("seek", ready ? { set: question.set, exposure } : null, 300, stamp);
  const s = envelope?.result;
  const t = s?.targets.find((x) => x.name === chosen) ?? s?.targets[0];
  return (
    <div class="seek">
      <p class="row">
        <label>
          Exposure of the guide camera <input value={exposure} size={7} onInput={(e) => setExposure(e.currentTarget.value)} />
        </label>
      </p>
      <Problem trouble={trouble} />
      <Cautions list={envelope?.cautions} />
      {s && !s.targets.length && <p class="say">{s.why || "Nothing bright is up that may be aimed at."}</p>}
      {s && t && (
        <>
          <h2 id="aim">
            Aim at <small>reckoned for {s.utc.slice(0, 16).replace("T", " ")} UTC</small>
          </h2>
          <div class="aims" role="radiogroup" aria-labelledby="aim">
            {s.targets.slice(0, 6).map((x) => (
              <label key={x.name} class={x === t ? "chosen" : ""}>
                <input type="radio" name="aim" checked={x === t} onChange={() => setChosen(x.name)} />
                <b>{x.name}</b> {fixed(x.altitude_deg, 0)}° up in the {winds[Math.round(x.azimuth_deg / 45) % 8]}
                <small>{x.shows_always ? "shows over all of the focuser’s travel" : x.shows_turns !== null ? `shows out to ${fixed(x.shows_turns, 1)} turns from focus` : `shows out to ${fixed(x.shows_mm, 1)} mm from focus`}</small>
              </label>
            ))}
          </div>
          <h2 class="later">How {t.name} looks on the guide camera</h2>
          <ol class="looks">
            {t.looks.map((l) => (
              <li key={l.defocus_mm}>
                <Patch look={l} width={(s.width_arcmin * 60) / s.guide_scale_arcsec_px} height={(s.height_arcmin * 60) / s.guide_scale_arcsec_px} />
                <b>{l.defocus_mm === 0 ? "in focus" : l.turns !== null ? `${fixed(l.turns, 1)} turns off` : `${fixed(l.defocus_mm, 1)} mm off`}</b>
                <span>{l.says}</span>
              </li>
            ))}
          </ol>
          {t.advice && <p class="later">{sentence(t.advice)}</p>}
          {s.why && (
            <p>
              <b>If nothing shows.</b> {sentence(s.why)}
            </p>
          )}
        </>
      )}
      {s && s.ladder.length > 0 && (
        <>
          <h2 class="later">From finding to fine focus</h2>
          <ol class="ladder">
            {s.ladder.map((l) => (
              <li key={l.do + l.target}>
                <b>{sentence(l.do).replace(/\.$/, "")}</b> on {l.target}, {l.exposure_s >= 0.001 ? long(l.exposure_s) : "as short as it goes"}
                {l.bin > 1 ? `, binned ${l.bin} × ${l.bin}` : ""}
                <span class="say">{sentence(l.why)}</span>
              </li>
            ))}
          </ol>
        </>
      )}
      {s && s.refused.length > 0 && (
        <p class="say">
          Not to be aimed at: {s.refused.map((r) => `${r.name}, ${r.why}`).join("; ")}.
        </p>
      )}
      {!s && !trouble && <p class="say">Reckoning what is up…</p>}
      {s && <p class="hint">Stretch the frame until its noise shows: a faint patch is not seen otherwise.</p>}
    </div>
  );
}

/** Patch draws the guide camera's frame with the patch of light to scale: filled where it shows, dashed where not. */
function Patch({ look, width, height }: { look: Look; width: number; height: number }) {
  const r = Math.max(look.patch_px / 2, width / 160);
  return (
    <svg viewBox={`0 0 ${width} ${height}`} role="img" aria-label={look.shows ? "it shows" : look.shows_binned > 1 ? "it shows binned" : "it does not show"}>
      <rect width={width} height={height} fill="var(--sheet)" stroke="var(--ink)" stroke-width={width / 90} />
      <circle cx={width / 2} cy={height / 2} r={r} fill={look.shows ? "var(--ink)" : "none"} fill-opacity={Math.max(0.25, 1 - r / (height / 2))} stroke="var(--ink)" stroke-width={width / 130} stroke-dasharray={look.shows ? undefined : `${width / 30} ${width / 40}`} />
    </svg>
  );
}
