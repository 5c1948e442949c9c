import { useEffect, useRef, useState } from "preact/hooks";
import { get, Trouble } from "../api";
import { fixed } from "../words";
import { Problem } from "./notice";

interface Head {
  frame_width_px: number;
  frame_height_px: number;
  x_px: number;
  y_px: number;
  width: number;
  height: number;
  bin: number;
  from_adu: number;
  step_adu: number;
  sky_adu: number;
  noise_adu: number;
  notes: string[];
}

interface Shapes {
  frame_width_px: number;
  frame_height_px: number;
  stars_found: number;
  fwhm_px: number | null;
  ellipticity: number | null;
  error?: string;
  stars: [number, number, number, number, number][];
}

/** Layer is a part of the frame with its values and, once painted, its picture. */
interface Layer {
  head: Head;
  values: Uint16Array;
  canvas?: HTMLCanvasElement;
  painted?: string; // the stretch and dress it was painted with
}

const tileSide = 512;
const mostTiles = 60;
const mostDrawn = 240;

async function look(path: string, signal: AbortSignal): Promise<Layer> {
  const res = await fetch(path, { signal });
  if (!res.ok) throw new Trouble((await res.json()).error ?? `the server answered ${res.status}`);
  const head = JSON.parse(res.headers.get("Holdfast-View")!) as Head;
  return { head, values: new Uint16Array(await res.arrayBuffer()) };
}

/** rgb reads a colour of the page's dress. */
function rgb(name: string): [number, number, number] {
  const hex = getComputedStyle(document.documentElement).getPropertyValue(name).trim().slice(1);
  return [0, 2, 4].map((i) => parseInt(hex.slice(i, i + 2), 16)) as [number, number, number];
}

/**
 * paint makes a layer's picture: the sky as the sheet, light as ink, by the
 * inverse hyperbolic sine, so that faint and bright both show. White is how far
 * above the sky ink is full, in ADU.
 */
function paint(l: Layer, sky: number, noise: number, white: number, stamp: string) {
  if (l.painted === stamp) return;
  const { width, height, from_adu: from, step_adu: step } = l.head;
  const sheet = rgb("--sheet");
  const ink = rgb("--ink");
  const table = new Uint32Array(65536);
  const soft = Math.max(3 * noise, white / 1e4, 1e-9);
  const black = sky - 1.5 * noise;
  const full = Math.asinh((white + 1.5 * noise) / soft);
  for (let i = 0; i < 65536; i++) {
    const s = Math.min(Math.max(Math.asinh((from + i * step - black) / soft) / full, 0), 1);
    const c = sheet.map((p, k) => Math.round(p + (ink[k] - p) * s));
    table[i] = 0xff000000 | (c[2] << 16) | (c[1] << 8) | c[0];
  }
  l.canvas ??= document.createElement("canvas");
  l.canvas.width = width;
  l.canvas.height = height;
  const ctx = l.canvas.getContext("2d")!;
  const image = ctx.createImageData(width, height);
  const out = new Uint32Array(image.data.buffer);
  for (let i = 0; i < out.length; i++) out[i] = table[l.values[i]];
  ctx.putImageData(image, 0, 0);
  l.painted = stamp;
}

/** Look is which part of the frame is seen: the pixel in the middle, and how many pixels of the page one of the frame takes. */
interface Look {
  x: number;
  y: number;
  zoom: number;
}

/**
 * Viewer shows one frame as the camera took it, with the stars that were
 * measured on it as ellipses; a table of stars has the ellipses only. The
 * frame is seen whole at first and pixel for pixel where it is looked into.
 */
export function Viewer({ file }: { file: string }) {
  const name = file.split("/").pop()!;
  const table = /\.csv$/i.test(file);
  const canvas = useRef<HTMLCanvasElement>(null);
  const whole = useRef<Layer | undefined>(undefined);
  const tiles = useRef(new Map<string, Layer | null>());
  const looked = useRef<Look | null>(null); // null: the whole frame
  const stars = useRef<Shapes | undefined>(undefined);
  const begun = useRef(0);
  const halt = useRef<AbortController | undefined>(undefined);
  const due = useRef(0);
  const [shapes, setShapes] = useState<Shapes>();
  const [head, setHead] = useState<Head>();
  const [trouble, setTrouble] = useState<Trouble>();
  const [stretch, setStretch] = useState(2.2);
  const [flat, setFlat] = useState(3);
  const [drawn, setDrawn] = useState(true);
  const [zoom, setZoom] = useState(0);
  const set = useRef({ stretch, flat, drawn });
  set.current = { stretch, flat, drawn };

  /** side is the frame's size, known from its picture or its stars. */
  const side = () => {
    const h = whole.current?.head;
    return h ? [h.frame_width_px, h.frame_height_px] : [stars.current?.frame_width_px ?? 0, stars.current?.frame_height_px ?? 0];
  };
  const fit = (): Look => {
    const [w, h] = side();
    const c = canvas.current!;
    return { x: w / 2, y: h / 2, zoom: Math.min(c.clientWidth / Math.max(w, 1), c.clientHeight / Math.max(h, 1)) };
  };
  const redraw = () => {
    cancelAnimationFrame(due.current);
    due.current = requestAnimationFrame(draw);
  };
  const draw = () => {
    const c = canvas.current;
    const [w, h] = side();
    if (!c || !w) return;
    // The picture keeps the frame's proportions, and leaves room on the screen.
    const wide = c.parentElement!.clientWidth;
    const high = Math.round(Math.min((wide * h) / w, Math.max(0.72 * innerHeight, 260)));
    const dots = devicePixelRatio || 1;
    if (c.width !== Math.round(wide * dots) || c.height !== Math.round(high * dots)) {
      c.width = Math.round(wide * dots);
      c.height = Math.round(high * dots);
      c.style.height = high + "px";
    }
    const at = looked.current ?? fit();
    const ctx = c.getContext("2d")!;
    const style = getComputedStyle(document.documentElement);
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.fillStyle = style.getPropertyValue("--sheet");
    ctx.fillRect(0, 0, c.width, c.height);
    const k = at.zoom * dots;
    ctx.setTransform(k, 0, 0, k, c.width / 2 - at.x * k, c.height / 2 - at.y * k);
    const base = whole.current;
    if (base) {
      const { sky_adu: sky, noise_adu: noise, bin } = base.head;
      const white = Math.max(noise, 1e-9) * 10 ** set.current.stretch;
      const stamp = set.current.stretch + document.documentElement.className;
      paint(base, sky, noise, white, stamp);
      ctx.imageSmoothingEnabled = k * bin < 1;
      ctx.imageSmoothingQuality = "high";
      ctx.drawImage(base.canvas!, 0, 0, base.head.width * bin, base.head.height * bin);
      if (bin > 1 && k >= 0.6) {
        ctx.imageSmoothingEnabled = k < 1;
        const half = [c.width / 2 / k, c.height / 2 / k];
        for (let ty = Math.max(0, Math.floor((at.y - half[1]) / tileSide)); ty * tileSide < Math.min(h, at.y + half[1]); ty++) {
          for (let tx = Math.max(0, Math.floor((at.x - half[0]) / tileSide)); tx * tileSide < Math.min(w, at.x + half[0]); tx++) {
            const t = tiles.current.get(tx + "," + ty);
            if (t) {
              paint(t, sky, noise * bin, white, stamp);
              ctx.drawImage(t.canvas!, t.head.x_px, t.head.y_px);
            } else if (t === undefined) {
              void fetchTile(tx, ty);
            }
          }
        }
      }
    }
    if (set.current.drawn && stars.current) ellipses(ctx, at, dots, style.getPropertyValue("--mark"));
    setZoom(at.zoom);
    if (base && begun.current) {
      performance.measure("frame painted", { start: begun.current, end: performance.now() });
      begun.current = 0;
    }
  };
  const ellipses = (ctx: CanvasRenderingContext2D, at: Look, dots: number, colour: string) => {
    const c = canvas.current!;
    const middle = stars.current!.fwhm_px || 3;
    ctx.strokeStyle = colour;
    ctx.lineWidth = (at.zoom > 2 ? 2 : 1.4) * dots;
    let n = 0;
    for (const [x, y, major, minor, angle] of stars.current!.stars) {
      const px = (c.clientWidth / 2 + (x - at.x) * at.zoom) * dots;
      const py = (c.clientHeight / 2 + (y - at.y) * at.zoom) * dots;
      if (px < 0 || py < 0 || px > c.width || py > c.height) continue;
      if (++n > mostDrawn) break;
      // Large enough to be seen, to scale where the frame is looked into.
      const a = Math.max((major / 2) * at.zoom * 2, 7 * Math.min(Math.max(major / middle, 0.5), 2)) * dots;
      const ratio = Math.max(1 - set.current.flat * (1 - minor / major), 0.06);
      ctx.setTransform(1, 0, 0, 1, px, py);
      ctx.rotate((angle * Math.PI) / 180);
      ctx.beginPath();
      ctx.ellipse(0, 0, a, a * ratio, 0, 0, 2 * Math.PI);
      ctx.stroke();
    }
  };
  const fetchTile = async (tx: number, ty: number) => {
    const key = tx + "," + ty;
    const map = tiles.current;
    map.set(key, null);
    for (const k of map.keys()) {
      if (map.size <= mostTiles) break;
      map.delete(k); // the one looked at longest ago
    }
    try {
      map.set(key, await look(`/api/tile?file=${encodeURIComponent(file)}&x=${tx * tileSide}&y=${ty * tileSide}`, halt.current!.signal));
      redraw();
    } catch {
      map.delete(key); // the overview stays
    }
  };

  useEffect(() => {
    const stop = new AbortController();
    halt.current = stop;
    begun.current = performance.now();
    whole.current = stars.current = undefined;
    tiles.current = new Map();
    looked.current = null;
    setShapes(undefined);
    setHead(undefined);
    setTrouble(undefined);
    const dots = devicePixelRatio || 1;
    const wanted = Math.min(Math.max(Math.round((canvas.current?.parentElement?.clientWidth ?? 800) * dots), 400), 2048);
    const at = "file=" + encodeURIComponent(file);
    const picture = table
      ? Promise.resolve()
      : look(`/api/preview?${at}&side=${wanted}`, stop.signal).then((l) => {
          whole.current = l;
          setHead(l.head);
          draw();
        });
    picture
      .then(() => get<Shapes>(`/api/shapes?${at}`, stop.signal))
      .then((s) => {
        stars.current = s;
        setShapes(s);
        redraw();
      })
      .catch((e: Error) => e.name !== "AbortError" && setTrouble(e as Trouble));
    return () => stop.abort();
  }, [file]);
  useEffect(redraw, [stretch, flat, drawn]);
  useEffect(() => {
    const sized = new ResizeObserver(redraw);
    sized.observe(canvas.current!.parentElement!);
    const dressed = new MutationObserver(redraw);
    dressed.observe(document.documentElement, { attributeFilter: ["class"] });
    return () => {
      sized.disconnect();
      dressed.disconnect();
    };
  }, []);

  /** move looks elsewhere; a frame that is seen whole again lies in the middle. */
  const move = (to: Look) => {
    const least = fit().zoom;
    const [w, h] = side();
    looked.current = to.zoom <= least * 1.001 ? null : { x: Math.min(Math.max(to.x, 0), w), y: Math.min(Math.max(to.y, 0), h), zoom: Math.min(to.zoom, 16) };
    canvas.current!.style.touchAction = looked.current ? "none" : "pan-y";
    redraw();
  };
  /** nearer zooms about a point of the canvas; without one, about its middle. */
  const nearer = (times: number, px?: number, py?: number) => {
    const at = looked.current ?? fit();
    const c = canvas.current!;
    const dx = (px ?? c.clientWidth / 2) - c.clientWidth / 2;
    const dy = (py ?? c.clientHeight / 2) - c.clientHeight / 2;
    const zoom = Math.min(Math.max(at.zoom * times, fit().zoom), 16);
    move({ x: at.x + dx / at.zoom - dx / zoom, y: at.y + dy / at.zoom - dy / zoom, zoom });
  };
  const pan = (dx: number, dy: number) => {
    const at = looked.current ?? fit();
    move({ ...at, x: at.x - dx / at.zoom, y: at.y - dy / at.zoom });
  };
  const keys = (e: KeyboardEvent) => {
    const step = 0.15 * canvas.current!.clientWidth;
    const act: Record<string, () => void> = {
      ArrowLeft: () => pan(step, 0),
      ArrowRight: () => pan(-step, 0),
      ArrowUp: () => pan(0, step),
      ArrowDown: () => pan(0, -step),
      "+": () => nearer(1.5),
      "=": () => nearer(1.5),
      "-": () => nearer(1 / 1.5),
      "0": () => move({ ...fit() }),
      "1": () => nearer(1 / (looked.current ?? fit()).zoom),
    };
    if (!act[e.key] || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    act[e.key]();
  };
  const fingers = useRef(new Map<number, { x: number; y: number }>());
  const moved = (e: PointerEvent) => {
    const held = fingers.current;
    const before = held.get(e.pointerId);
    if (!before) return;
    const now = { x: e.offsetX, y: e.offsetY };
    if (held.size === 2) {
      const other = [...held].find(([id]) => id !== e.pointerId)![1];
      const apart = (p: { x: number; y: number }) => Math.max(Math.hypot(p.x - other.x, p.y - other.y), 10);
      nearer(apart(now) / apart(before), (now.x + other.x) / 2, (now.y + other.y) / 2);
    } else if (looked.current) {
      pan(now.x - before.x, now.y - before.y);
    }
    held.set(e.pointerId, now);
  };
  const gone = (e: PointerEvent) => fingers.current.delete(e.pointerId);

  const [w, h] = head ? [head.frame_width_px, head.frame_height_px] : [shapes?.frame_width_px, shapes?.frame_height_px];
  const figures = w ? `${w} × ${h} px` + (shapes ? `, ${shapes.stars_found} stars, ${fixed(shapes.fwhm_px, 2)} px wide and ${fixed(shapes.ellipticity, 2)} out of round` : "") : "";
  return (
    <figure class="viewer">
      <Problem trouble={trouble} />
      <div class="glass">
        <canvas
          ref={canvas}
          tabIndex={0}
          role="img"
          aria-label={`${name}${figures ? ": " + figures : ""}. Arrows move it, plus and minus bring it nearer and farther, 0 shows the whole, 1 its pixels.`}
          onKeyDown={keys}
          onDblClick={(e) => nearer(Math.max(1 / (looked.current ?? fit()).zoom, 1), e.offsetX, e.offsetY)}
          onWheel={(e) => {
            // A page that scrolls is not held up by a frame nobody took hold of.
            if (document.activeElement !== canvas.current && !e.ctrlKey) return;
            e.preventDefault();
            nearer(Math.exp(-e.deltaY / 300), e.offsetX, e.offsetY);
          }}
          onPointerDown={(e) => {
            fingers.current.set(e.pointerId, { x: e.offsetX, y: e.offsetY });
            canvas.current!.setPointerCapture(e.pointerId);
          }}
          onPointerMove={moved}
          onPointerUp={gone}
          onPointerCancel={gone}
        />
      </div>
      <figcaption>
        <p class="row">
          <b>{name}</b> <span>{figures || (trouble ? "" : "Opening…")}</span>
          {w && !shapes && !trouble && <span role="status">Measuring its stars…</span>}
        </p>
        <p class="row nearer">
          <button type="button" onClick={() => move(fit())}>
            Whole
          </button>
          <button type="button" onClick={() => nearer(1 / (looked.current ?? fit()).zoom)}>
            Its pixels
          </button>
          <button type="button" aria-label="Nearer" onClick={() => nearer(1.6)}>
            +
          </button>
          <button type="button" aria-label="Farther" onClick={() => nearer(1 / 1.6)}>
            −
          </button>
          <span class="say">{zoom > 0 && `${fixed(100 * zoom, zoom < 0.1 ? 1 : 0)} %`}</span>
        </p>
        <div class="sliders">
          {!table && (
            <label>
              Faint light
              <input type="range" min={0.8} max={4.2} step={0.05} value={5 - stretch} onInput={(e) => setStretch(5 - Number(e.currentTarget.value))} />
              <output>{stretch < 1.6 ? "most" : stretch < 2.8 ? "some" : "little"}</output>
            </label>
          )}
          <label>
            Ellipses flatter
            <input type="range" min={1} max={6} step={0.5} value={flat} disabled={!drawn} onInput={(e) => setFlat(Number(e.currentTarget.value))} />
            <output>{flat} times</output>
          </label>
        </div>
        <label class="check">
          <input type="checkbox" checked={drawn} onChange={(e) => setDrawn(e.currentTarget.checked)} /> Show the measured stars{drawn && `, ${flat === 1 ? "as flat as they are" : `${flat} times as flat as they are`}, larger than they are`}
        </label>
        {shapes?.error && <p class="hint">{shapes.error}</p>}
        {head?.notes.map((n) => (
          <p class="hint" key={n}>
            {n}
          </p>
        ))}
        {table && <p class="hint">This is a table of stars: there are no pixels to show.</p>}
      </figcaption>
    </figure>
  );
}
