import { fixed, terms } from "../words";
import { EntryTag } from "./tag";

export interface Row {
  term: string;
  east_arcsec: number | null;
  north_arcsec: number | null;
  share: number | null;
  entries: string[];
  assumed: string[];
  remedy: string;
}

/** Ledger lists what makes the star: east solid, north hatched, the weak link marked. */
export function Ledger({ rows, weak }: { rows: Row[]; weak: string | null }) {
  const most = Math.max(...rows.map((r) => Math.max(r.east_arcsec ?? 0, r.north_arcsec ?? 0)), 1e-9);
  const shown = rows.filter((r) => (r.share ?? 1) >= 0.0005 || r.term === weak).sort((a, b) => (b.share ?? 0) - (a.share ?? 0));
  const small = rows.filter((r) => !shown.includes(r));
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
              comes from
            </th>
          </tr>
        </thead>
        <tbody>
          {shown.map((r) => (
            <tr key={r.term} class={r.term === weak ? "weak" : undefined}>
              <th scope="row">
                {terms[r.term] ?? r.term}
                {r.term === weak && <b class="link">weak link</b>}
                {r.term === weak && r.remedy && <small>{r.remedy}</small>}
              </th>
              <td class="bars" aria-hidden="true">
                <svg viewBox="0 0 200 16" preserveAspectRatio="none">
                  <rect y="1" height="6" width={Math.max((200 * (r.east_arcsec ?? 0)) / most, 0.6)} fill="var(--ink)" />
                  <rect y="9" height="6" width={Math.max((200 * (r.north_arcsec ?? 0)) / most, 0.6)} fill="url(#ledger-hatch)" stroke="var(--ink)" stroke-width="0.8" vector-effect="non-scaling-stroke" />
                </svg>
              </td>
              <td class="q">{fixed(r.east_arcsec, 2)}</td>
              <td class="q">{fixed(r.north_arcsec, 2)}</td>
              <td class="src">
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
              </td>
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
      {small.length > 0 && <p class="say">Next to nothing: {small.map((r) => (terms[r.term] ?? r.term).toLowerCase()).join(", ")}.</p>}
    </div>
  );
}
