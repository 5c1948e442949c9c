import type { ComponentChildren } from "preact";
import { fixed, terms } from "../words";
import { EntryTag } from "./tag";

/** Line is what a ledger of a plan and one of a proof have in common. */
export interface Line {
  term: string;
  east_arcsec: number | null;
  north_arcsec: number | null;
  share: number | null;
  remedy: string;
  planned_east_arcsec?: number | null;
  planned_north_arcsec?: number | null;
}

/** Row is a row of a plan. */
export interface Row extends Line {
  entries: string[];
  assumed: string[];
}

/** Ledger lists what a plan makes the star of: what each row comes from can be set in place. */
export function Ledger({ rows, weak }: { rows: Row[]; weak: string | null }) {
  const shown = rows.filter((r) => (r.share ?? 1) >= 0.0005 || r.term === weak).sort((a, b) => (b.share ?? 0) - (a.share ?? 0));
  const small = rows.filter((r) => !shown.includes(r));
  return (
    <>
      <Lines
        rows={shown}
        weak={weak}
        head="comes from"
        cell={(r) => (
          <>
            {r.entries.slice(0, 2).map((e) => (
              <EntryTag path={e} key={e} />
            ))}
            {r.entries.length > 2 && (
              <details>
                <summary>{r.entries.length - 2} more</summary>
                {r.entries.slice(2).map((e) => (
                  <EntryTag path={e} key={e} />
                ))}
              </details>
            )}
          </>
        )}
      />
      {small.length > 0 && <p class="say">Next to nothing: {small.map((r) => (terms[r.term] ?? r.term).toLowerCase()).join(", ")}.</p>}
    </>
  );
}

/** Lines draws the rows of a ledger: east solid, north hatched, the weak link marked, what was planned as upright marks. */
export function Lines<L extends Line>({ rows, weak, head, cell }: { rows: L[]; weak?: string | null; head: string; cell(row: L): ComponentChildren }) {
  const most = Math.max(...rows.flatMap((r) => [r.east_arcsec ?? 0, r.north_arcsec ?? 0, r.planned_east_arcsec ?? 0, r.planned_north_arcsec ?? 0]), 1e-9);
  const wide = (v?: number | null) => Math.max((200 * (v ?? 0)) / most, 0.6);
  const planned = (r: L) => typeof r.planned_east_arcsec === "number";
  return (
    <div class="ledger">
      <table>
        <thead>
          <tr>
            <th scope="col">one sigma, arcsec</th>
            <td class="bars key">
              <span class="solid" /> east–west <span class="hatched" /> north–south
            </td>
            <th scope="col" class="q">
              east
            </th>
            <th scope="col" class="q">
              north
            </th>
            <th scope="col" class="src">
              {head}
            </th>
          </tr>
        </thead>
        <tbody>
          {rows.map((r) => (
            <tr key={r.term} class={r.term === weak ? "weak" : undefined}>
              <th scope="row">
                {terms[r.term] ?? r.term}
                {r.term === weak && <b class="link">weak link</b>}
                {r.term === weak && r.remedy && <small>{r.remedy}</small>}
                {planned(r) && (
                  <small>
                    planned {fixed(r.planned_east_arcsec, 2)}, {fixed(r.planned_north_arcsec, 2)}
                  </small>
                )}
              </th>
              <td class="bars" aria-hidden="true">
                <svg viewBox="0 0 200 16" preserveAspectRatio="none">
                  <rect y="1" height="6" width={wide(r.east_arcsec)} fill="var(--ink)" />
                  <rect y="9" height="6" width={wide(r.north_arcsec)} fill="url(#ledger-hatch)" stroke="var(--ink)" stroke-width="0.8" vector-effect="non-scaling-stroke" />
                  {planned(r) && <path d={`M${wide(r.planned_east_arcsec)} 0V8M${wide(r.planned_north_arcsec)} 8V16`} stroke="var(--mark)" stroke-width="2.4" vector-effect="non-scaling-stroke" />}
                </svg>
              </td>
              <td class="q">{fixed(r.east_arcsec, 2)}</td>
              <td class="q">{fixed(r.north_arcsec, 2)}</td>
              <td class="src">{cell(r)}</td>
            </tr>
          ))}
        </tbody>
      </table>
      <svg width="0" height="0" aria-hidden="true" class="defs">
        <defs>
          <pattern id="ledger-hatch" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(35)">
            <path d="M0 0V4" stroke="var(--ink)" stroke-width="1.1" />
          </pattern>
        </defs>
      </svg>
      {rows.some(planned) && <p class="hint">The upright marks are what the plan foretold.</p>}
    </div>
  );
}
