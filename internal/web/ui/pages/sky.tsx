import { useAnswer, useNote } from "../api";
import { AskBar } from "../parts/askbar";
import { Drawing } from "../parts/drawing";
import { Cautions, Problem } from "../parts/notice";
import { EntryTag } from "../parts/tag";
import { useSheet } from "../sheet";
import { arcsec, clock, day, fixed, long, three } from "../words";

interface FieldStar {
  ra_deg: number;
  dec_deg: number;
  vt_mag: number;
  separation_arcmin: number;
  snr: number | null;
  saturation: number | null;
  centroid_arcsec: number | null;
  exposure_s: number | null;
  usable: boolean;
  why: string;
}

interface Sky {
  target: { name: string };
  night: { date: string; dark_from_utc: string; dark_to_utc: string; window_from_utc: string; window_to_utc: string; flip_utc: string | null; moon_illuminated: number; moon_altitude_deg: number | null; moon_separation_deg: number | null; utc_offset_h: number };
  field: {
    guide_scale_arcsec_px: number;
    width_arcmin: number;
    height_arcmin: number;
    advice: string;
    probability: number | null;
    catalogue_stars_in_field: number;
    camera_limit_mag: number | null;
    reached_90_percent_mag: number | null;
    stars: FieldStar[];
  } | null;
}

/** SkyPage shows the field with both sensors, the stars to hold on to, and the night. */
export function SkyPage() {
  const { question, ready, stamp, entries, set } = useSheet();
  const [chosen, choose] = useNote<number>("guide-star", 1);
  const { envelope, trouble } = useAnswer<Sky, { field: string; band: string }>("stars", ready ? { ...question, chosen } : null, 0, stamp);
  const s = envelope?.result;
  if (!s)
    return (
      <>
        <AskBar title="The sky" night="" sub="" />
        {trouble ? <Problem trouble={trouble} /> : <p class="say">Looking up…</p>}
      </>
    );
  const f = s.field;
  const best = f?.stars[0];
  const offset = s.night.utc_offset_h;
  const turn = (path: string, name: string) => {
    const e = entries.get(path);
    if (!e || !e.applies) return null;
    return (
      <label>
        <span>{name}</span>
        <input type="range" min={0} max={359} step={1} value={Math.round((((e.value ?? 0) % 360) + 360) % 360)} aria-valuetext={`${fixed(e.value, 0)} degrees, north through east`} onInput={(x) => set(path, x.currentTarget.value + " deg")} />
        <output>{fixed(e.value, 0)}°</output>
      </label>
    );
  };
  return (
    <>
      <AskBar title={s.target.name} night={day(s.night.date)} sub="" />
      <Problem trouble={trouble} />
      <Cautions list={envelope?.cautions.filter((c) => c.startsWith("Danger. "))} />
      <h1 class="verdict">
        {!f ? (
          "This rig has no guide camera: there is nothing to hold on to."
        ) : best?.usable ? (
          <>
            <em>There is a star to hold on to.</em> VT {fixed(best.vt_mag, 1)}, {fixed(best.separation_arcmin, 0)}′ from the target, placed to {arcsec(best.centroid_arcsec, 2)} in {long(best.exposure_s)}.
          </>
        ) : (
          <>
            <em>No catalogue star serves.</em> {f.probability !== null ? `Fainter ones do with a probability of ${Math.round(100 * f.probability)} %.` : ""}
          </>
        )}
      </h1>
      {f?.advice && <p class="say">{f.advice}</p>}
      <div class="sky-page">
        <section aria-label="The field">
          <div class="sheet">
            <Drawing svg={envelope?.drawings?.field} />
          </div>
          <p class="hint">Hatched: the imaging sensor. Dashed: the guide sensor{f ? `, ${fixed(f.width_arcmin, 0)}′ × ${fixed(f.height_arcmin, 0)}′ at ${arcsec(f.guide_scale_arcsec_px, 2)} a pixel` : ""}. Open stars cannot be used.</p>
          <div class="sliders">
            {turn("imaging.camera.angle", "turn the imaging camera")}
            {turn("guide.camera.angle", "turn the guide camera")}
            {turn("guide.prism.angle", "turn the prism")}
          </div>
          <p class="tags">
            <EntryTag path="guide.offset_east" /> <EntryTag path="guide.offset_north" />
          </p>
        </section>
        <section aria-label="The night">
          <h2>The night</h2>
          <div class="sheet wide" tabIndex={0} role="region" aria-label="The night as a band">
            <Drawing svg={envelope?.drawings?.band} />
          </div>
          <dl class="facts">
            <dt>Dark</dt>
            <dd>
              {clock(s.night.dark_from_utc, offset)} to {clock(s.night.dark_to_utc, offset)}, local time
            </dd>
            <dt>Usable</dt>
            <dd>
              {clock(s.night.window_from_utc, offset)} to {clock(s.night.window_to_utc, offset)}
              {s.night.flip_utc ? `; the mount flips at ${clock(s.night.flip_utc, offset)}` : ""}
            </dd>
            <dt>Moon</dt>
            <dd>
              {Math.round(100 * s.night.moon_illuminated)} % lit, {s.night.moon_altitude_deg !== null && s.night.moon_altitude_deg > 0 ? `${fixed(s.night.moon_altitude_deg, 0)}° up and ${fixed(s.night.moon_separation_deg, 0)}° away` : "below the horizon"}
            </dd>
          </dl>
          {f && (
            <>
              <h2 class="later">
                Guide stars <small>the best first; {f.catalogue_stars_in_field} of the catalogue are in the field</small>
              </h2>
              <table class="stars">
                <thead>
                  <tr>
                    <th scope="col">star</th>
                    <th scope="col" class="q">
                      VT
                    </th>
                    <th scope="col" class="q">
                      SNR
                    </th>
                    <th scope="col" class="q">
                      placed to
                    </th>
                    <th scope="col" class="q">
                      expose
                    </th>
                    <th scope="col" class="note">
                      mind
                    </th>
                  </tr>
                </thead>
                <tbody>
                  {f.stars.map((st, i) => (
                    <tr key={i} class={i + 1 === chosen ? "weak" : ""}>
                      <th scope="row">
                        <label>
                          <input type="radio" name="star" checked={i + 1 === chosen} disabled={!st.usable} onChange={() => choose(i + 1)} /> {i + 1}
                          <small>{fixed(st.separation_arcmin, 0)}′ away</small>
                        </label>
                      </th>
                      <td class="q">{fixed(st.vt_mag, 1)}</td>
                      <td class="q">{three(st.snr)}</td>
                      <td class="q">{arcsec(st.centroid_arcsec, 2)}</td>
                      <td class="q">{long(st.exposure_s)}</td>
                      <td class="note">{st.why}</td>
                    </tr>
                  ))}
                </tbody>
              </table>
              {f.stars.length === 0 && <p class="say">The catalogue has no star in this field. In nine such fields of ten there is one of {fixed(f.reached_90_percent_mag, 1)} mag; this camera reaches {fixed(f.camera_limit_mag, 1)}.</p>}
            </>
          )}
        </section>
      </div>
    </>
  );
}
