import { useEffect, useRef, useState } from "preact/hooks";
import { get } from "../api";
import type { Item } from "./framepick";

/** deepest is how far down folders are offered to be watched. */
const deepest = 3;

/** foldersOf lists the folders that the server was started with, and those inside them. */
async function foldersOf(path: string, depth: number): Promise<string[]> {
  const items = await get<Item[]>("/api/folder?path=" + encodeURIComponent(path));
  const out: string[] = [];
  for (const i of items.filter((i) => i.folder && i.path !== "kept").slice(0, 50)) {
    out.push(i.path);
    if (depth > 1) out.push(...(await foldersOf(i.path, depth - 1)));
  }
  return out;
}

/** Watcher hears of one folder. */
interface Watcher {
  folder: string;
  landed(file: string): void;
  partial(why: string): void;
  looking(yes: boolean): void;
}

// One stream serves all that a page watches, for a browser opens few at a time.
const watchers = new Set<Watcher>();
let source: EventSource | undefined;
let watching = "";
let since = "";

/** tune watches the folders that are wanted while the page is seen. */
function tune() {
  const wanted = document.visibilityState === "visible" ? [...new Set([...watchers].map((w) => w.folder))].sort() : [];
  const key = wanted.join("\n");
  if (key === watching && (source || !key)) return;
  source?.close();
  source = undefined;
  watching = key;
  if (!watchers.size) since = ""; // what lands now is nobody's
  if (!key) {
    watchers.forEach((w) => w.looking(false));
    return;
  }
  const s = new EventSource("/api/watch?" + new URLSearchParams([...wanted.map((f) => ["path", f]), ["since", since]]));
  source = s;
  const of = (name: string) => [...watchers].filter((w) => name.startsWith(w.folder + "/") && !name.slice(w.folder.length + 1).split(":")[0].includes("/"));
  s.onmessage = (m) => of(m.data).forEach((w) => w.landed(m.data));
  s.onerror = () => watchers.forEach((w) => w.looking(false));
  s.addEventListener("looked", (m) => {
    since = (m as MessageEvent).data;
    watchers.forEach((w) => w.looking(true));
  });
  s.addEventListener("partial", (m) => of((m as MessageEvent).data).forEach((w) => w.partial("Not whole yet: " + (m as MessageEvent).data)));
  s.addEventListener("gone", (m) => watchers.forEach((w) => w.partial((m as MessageEvent).data)));
}
document.addEventListener("visibilitychange", tune);

/**
 * Watch takes frames as they land in a folder. It looks only while the page is
 * seen; what landed meanwhile is taken when it is seen again.
 */
export function Watch({ label, folder, choose, taken }: { label: string; folder: string; choose(folder: string): void; taken(file: string): void }) {
  const [folders, setFolders] = useState<string[] | null>(null);
  const [landed, setLanded] = useState(0);
  const [wrong, setWrong] = useState("");
  const [looking, setLooking] = useState(false);
  const latest = useRef(taken);
  latest.current = taken;
  useEffect(() => {
    foldersOf("", deepest)
      .then(setFolders)
      .catch(() => setFolders([]));
  }, []);
  useEffect(() => {
    setLanded(0);
    setWrong("");
    if (!folder) return;
    const w: Watcher = {
      folder,
      landed: (file) => {
        setLanded((n) => n + 1);
        setWrong("");
        latest.current(file);
      },
      partial: setWrong,
      looking: setLooking,
    };
    watchers.add(w);
    tune();
    return () => {
      watchers.delete(w);
      tune();
    };
  }, [folder]);
  if (folders && !folders.length && !folder) {
    return (
      <p class="hint">
        Started with <code>--folder</code>, holdfast takes frames as they land there.
      </p>
    );
  }
  return (
    <div class="watch">
      <label>
        {label}{" "}
        <select value={folder} onChange={(e) => choose(e.currentTarget.value)}>
          <option value="">none</option>
          {[...new Set([...(folders ?? []), ...(folder ? [folder] : [])])].map((f) => (
            <option key={f} value={f}>
              {f}
            </option>
          ))}
        </select>
      </label>
      {folder && (
        <span class="say" role="status">
          {looking ? (landed ? `${landed} landed, looking for more` : "looking for new frames") : "not looking"}
        </span>
      )}
      {wrong && (
        <p class="wrong" role="alert">
          {wrong}
        </p>
      )}
    </div>
  );
}
