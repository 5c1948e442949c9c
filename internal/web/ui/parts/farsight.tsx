import { useEffect, useRef, useState } from "preact/hooks";

/**
 * FarSight fills the screen with one figure, to be read from the other end of
 * the telescope, and can sound a tone that rises as what is left goes to zero.
 */
export function FarSight({ figure, word, left, close }: { figure: string; word: string; left: number | null; close(): void }) {
  const [sound, setSound] = useState(false);
  const audio = useRef<{ ctx: AudioContext; osc: OscillatorNode } | null>(null);
  const box = useRef<HTMLDivElement>(null);
  useEffect(() => {
    box.current?.focus();
    const key = (e: KeyboardEvent) => e.key === "Escape" && close();
    addEventListener("keydown", key);
    return () => {
      removeEventListener("keydown", key);
      void audio.current?.ctx.close();
    };
  }, []);
  useEffect(() => {
    if (!sound) {
      void audio.current?.ctx.close();
      audio.current = null;
      return;
    }
    const ctx = new AudioContext();
    const osc = ctx.createOscillator();
    const gain = ctx.createGain();
    gain.gain.value = 0.06;
    osc.connect(gain).connect(ctx.destination);
    osc.start();
    audio.current = { ctx, osc };
  }, [sound]);
  useEffect(() => {
    // Three octaves from far away to there.
    if (audio.current && left !== null) audio.current.osc.frequency.value = 220 * Math.pow(2, 3 * (1 - Math.min(Math.abs(left), 1)));
  }, [left, sound]);
  return (
    <div class="farsight" role="dialog" aria-modal="true" aria-label="Far sight" tabIndex={-1} ref={box}>
      <p class="figure" aria-live="assertive">
        {figure}
      </p>
      <p class="word">{word}</p>
      <p class="row">
        <button type="button" aria-pressed={sound} onClick={() => setSound(!sound)}>
          Tone
        </button>
        <button type="button" onClick={close}>
          Close
        </button>
      </p>
    </div>
  );
}
