import { useEffect, useState } from "preact/hooks";
import { useSheet, type Entry } from "../sheet";
import { long, three } from "../words";
import type { Row } from "./ledger";

const count = 7;

/** range returns the ends of a slider about a value, and whether it runs by factors. */
function range(e: Entry, centre: number): { from: number; to: number; factors: boolean } {
  const min = e.min ?? -Infinity;
  const max = e.max ?? Infinity;
  if (min >= 0 && centre > 0) return { from: Math.max(min, centre / 4), to: Math.min(max, centre * 4), factors: true };
  const reach = Math.max(Math.abs(centre), (e.value_sigma ?? 0) * 4, 1);
  return { from: Math.max(min, centre - reach), to: Math.min(max, centre + reach), factors: false };
}

/** Sliders are controls for the entries that matter most to this star. */
export function Sliders({ rows, sub }: { rows: Row[]; sub: number }) {
  const { entries, question, set, ask } = useSheet();
  // What nobody can change comes last, but for the air, which changes by itself.
  const fixed = (r: Row) => (r.term === "diffraction" || r.term === "pixels" ? 1 : 0);
  const paths: string[] = ["site.seeing"];
  for (const r of [...rows].sort((a, b) => fixed(a) - fixed(b) || (b.share ?? 0) - (a.share ?? 0))) {
    for (const p of r.entries) {
      const e = entries.get(p);
      if (e?.kind === "number" && e.applies && e.value !== null && !e.whole && p !== "sub.length" && !paths.includes(p)) paths.push(p);
    }
  }
  // What was touched stays, wherever its row falls.
  const touched = Object.keys(question.set).filter((p) => paths.includes(p));
  const chosen = [...touched, ...paths.filter((p) => !touched.includes(p))].slice(0, Math.max(count, touched.length)).sort((a, b) => paths.indexOf(a) - paths.indexOf(b));
  return (
    <section class="sliders" aria-label="Try it">
      <h2>Try it</h2>
      <SubSlider seconds={sub} change={(s) => ask({ sub: `${s} s` })} />
      {chosen.map((p) => (
        <Slider key={p} e={entries.get(p)!} change={(text) => set(p, text)} />
      ))}
    </section>
  );
}

// A slider follows the hand at once; the entry's own value comes after it.

function SubSlider({ seconds, change }: { seconds: number; change(s: number): void }) {
  const most = Math.log(3600);
  const { at, move } = useHand(Math.log(seconds) / most, useSheet().question.sub);
  const value = (t: number) => Number(Math.exp(most * t).toPrecision(2));
  return (
    <label>
      <span>length of a sub</span>
      <input type="range" min={0} max={200} step={1} value={Math.round(200 * at)} aria-valuetext={long(value(at))} onInput={(x) => change(value(move(x)))} />
      <output>{long(value(at))}</output>
    </label>
  );
}

/** useHand returns where a slider stands, from 0 to 1: under the hand while it was moved last, else at rest. */
function useHand(rest: number, set: string | undefined) {
  const [hand, setHand] = useState<number | null>(null);
  useEffect(() => {
    if (!set) setHand(null);
  }, [set]);
  return {
    at: hand ?? rest,
    move: (e: { currentTarget: HTMLInputElement }) => {
      const t = Number(e.currentTarget.value) / 200;
      setHand(t);
      return t;
    },
  };
}

// Where a slider's ends lie is settled when its entry is first shown, so that
// they do not run away under the hand.
const ends = new Map<string, ReturnType<typeof range>>();

function Slider({ e, change }: { e: Entry; change(text: string): void }) {
  if (!ends.has(e.path)) ends.set(e.path, range(e, e.value!));
  const r = ends.get(e.path)!;
  const { at, move } = useHand(r.factors ? Math.log(e.value! / r.from) / Math.log(r.to / r.from) : (e.value! - r.from) / (r.to - r.from), useSheet().question.set[e.path]);
  const value = (t: number) => Number((r.factors ? r.from * Math.pow(r.to / r.from, t) : r.from + t * (r.to - r.from)).toPrecision(2));
  // The uncertainty stays the same share of the value.
  const quantity = (v: number) => (e.value_sigma && e.value ? `${v} ± ${Number(Math.abs((e.value_sigma * v) / e.value).toPrecision(2))} ${e.unit}` : `${v} ${e.unit}`).trim();
  return (
    <label title={e.doc}>
      <span>
        {name(e.path)}
        {e.assumed && <i class="tag assumed">assumed</i>}
      </span>
      <input type="range" min={0} max={200} step={1} value={Math.round(at * 200)} aria-valuetext={`${three(value(at))} ${e.unit}`} onInput={(x) => change(quantity(value(move(x))))} />
      <output>
        {three(value(at))} {e.unit}
      </output>
    </label>
  );
}

/** name says an entry's path in words. */
export function name(path: string): string {
  return path.replaceAll("_", " ").replaceAll(".", " · ");
}
