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
    let source: EventSource | undefined;
    let since = "";
    const tune = () => {
      if (document.visibilityState !== "visible") {
        source?.close();
        source = undefined;
        setLooking(false);
        return;
      }
      if (source) return;
      source = new EventSource("/api/watch?" + new URLSearchParams({ path: folder, since }));
      source.onmessage = (m) => {
        setLanded((n) => n + 1);
        setWrong("");
        latest.current(m.data);
      };
      source.onerror = () => setLooking(false);
      source.addEventListener("looked", (m) => {
        since = (m as MessageEvent).data;
        setLooking(true);
      });
      source.addEventListener("partial", (m) => setWrong(`Not whole yet: ${(m as MessageEvent).data}`));
      source.addEventListener("gone", (m) => setWrong((m as MessageEvent).data));
    };
    tune();
    document.addEventListener("visibilitychange", tune);
    return () => {
      document.removeEventListener("visibilitychange", tune);
      source?.close();
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
