import { useEffect, useRef, useState } from "preact/hooks";
import type { Far } from "../steps";

/** The tone: from far away to there it rises by three octaves. */
const lowest = 220;
const octaves = 3;
const loudness = 0.06;

/** pitch returns the frequency of what is left of the way. */
export function pitch(left: number): number {
  return lowest * Math.pow(2, octaves * (1 - Math.min(Math.max(left, 0), 1)));
}

/** useTone sounds a tone while it is on. */
function useTone(on: boolean, left: number | null) {
  const sounding = useRef<{ ctx: AudioContext; osc: OscillatorNode; gain: GainNode } | null>(null);
  useEffect(() => {
    if (!on) return;
    const ctx = new AudioContext();
    const osc = ctx.createOscillator();
    const gain = ctx.createGain();
    gain.gain.value = 0;
    osc.connect(gain).connect(ctx.destination);
    osc.start();
    sounding.current = { ctx, osc, gain };
    return () => {
      sounding.current = null;
      void ctx.close();
    };
  }, [on]);
  useEffect(() => {
    const s = sounding.current;
    if (!s) return;
    s.gain.gain.setTargetAtTime(left === null ? 0 : loudness, s.ctx.currentTime, 0.05); // silent where nothing is known
    if (left !== null) s.osc.frequency.setTargetAtTime(pitch(left), s.ctx.currentTime, 0.08);
  }, [on, left]);
}

/** useAwake keeps the screen lit, where the browser lets it. */
function useAwake() {
  useEffect(() => {
    let lock: WakeLockSentinel | undefined;
    let gone = false;
    navigator.wakeLock
      ?.request("screen")
      .then((l) => (gone ? void l.release() : (lock = l)))
      .catch(() => undefined); // it sleeps as it always does
    return () => {
      gone = true;
      void lock?.release();
    };
  }, []);
}

/**
 * FarSight fills the screen with one figure, to be read from the other end of
 * the telescope, and sounds, if it is asked to, a tone that rises as what is
 * left goes to zero. A tap or Escape leaves it.
 */
export function FarSight({ far, note, close }: { far: Far[]; note: string; close(): void }) {
  const [sound, setSound] = useState(false);
  const [name, setName] = useState(far[0]?.name ?? "");
  const box = useRef<HTMLDialogElement>(null);
  const f = far.find((x) => x.name === name) ?? far[0];
  useTone(sound, f?.left ?? null);
  useAwake();
  useEffect(() => {
    const d = box.current!;
    d.showModal();
    return () => d.close();
  }, []);
  return (
    <dialog class="farsight" aria-label="Far sight" ref={box} onCancel={close} onClick={close}>
      <div class={"reading " + (f && f.figure.length > 4 ? "long" : "")} aria-live="assertive">
        <p class="figure" key={f?.figure}>
          {f?.figure ?? "–"}
        </p>
        <p class="word">{f?.word ?? ""}</p>
      </div>
      <p class="note" role="status">
        {note || "\u00a0"}
      </p>
      <div class="row" onClick={(e) => e.stopPropagation()}>
        {far.length > 1 &&
          far.map((x) => (
            <button type="button" key={x.name} aria-pressed={x === f} onClick={() => setName(x.name)}>
              {x.name}
            </button>
          ))}
        <button type="button" aria-pressed={sound} onClick={() => setSound(!sound)}>
          tone
        </button>
        <button type="button" onClick={close}>
          close
        </button>
      </div>
    </dialog>
  );
}
