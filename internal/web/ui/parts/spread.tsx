import { fixed } from "../words";

/** Spread draws a 10 to 90 per cent range as a range, with the value and the goal. */
export function Spread({ name, unit, decimals, low, value, high, goal }: { name: string; unit: string; decimals: number; low?: number | null; value: number; high?: number | null; goal: number }) {
  const lo = low ?? value;
  const hi = high ?? value;
  const from = Math.min(lo, goal, value) * 0.85;
  const to = Math.max(hi, goal, value) * 1.08;
  const x = (v: number) => 2 + (96 * (v - from)) / (to - from || 1);
  const say = (v: number) => fixed(v, decimals) + unit;
  const known = low !== null && low !== undefined && high !== null && high !== undefined;
  const label = `${name}: ${say(value)}${known ? `, in four nights of five between ${say(lo)} and ${say(hi)}` : ""}; the goal is at most ${say(goal)}`;
  return (
    <figure class="spread">
      <svg viewBox="0 0 400 56" role="img" aria-label={label}>
        <defs>
          <pattern id="spread-hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(35)">
            <path d="M0 0V5" stroke="var(--ink)" stroke-width="1.2" />
          </pattern>
        </defs>
        <path d="M0 26H400" stroke="var(--hair)" />
        {known && <rect x={x(lo) * 4} y="20" width={Math.max((x(hi) - x(lo)) * 4, 1)} height="12" fill="url(#spread-hatch)" stroke="var(--ink)" stroke-width="1.2" />}
        <path d={`M${x(value) * 4} 14V38`} stroke="var(--ink)" stroke-width="3" />
        <path d={`M${x(goal) * 4} 10V34`} stroke="var(--mark)" stroke-width="1.6" stroke-dasharray="4 3" />
        <text x={x(goal) * 4} y="8" text-anchor={x(goal) > 85 ? "end" : x(goal) < 15 ? "start" : "middle"} fill="var(--mark)" font-size="11.5">
          goal {say(goal)}
        </text>
        {known && x(value) - x(lo) > 9 && (
          <text x={x(lo) * 4} y="50" text-anchor={x(lo) < 8 ? "start" : "middle"} fill="var(--soft)" font-size="11.5">
            {say(lo)}
          </text>
        )}
        {known && x(hi) - x(value) > 9 && (
          <text x={x(hi) * 4} y="50" text-anchor={x(hi) > 92 ? "end" : "middle"} fill="var(--soft)" font-size="11.5">
            {say(hi)}
          </text>
        )}
        <text x={x(value) * 4} y="50" text-anchor={x(value) < 8 ? "start" : x(value) > 92 ? "end" : "middle"} fill="var(--ink)" font-weight="700" font-size="11.5">
          {say(value)}
        </text>
      </svg>
      <figcaption>{name}</figcaption>
    </figure>
  );
}
