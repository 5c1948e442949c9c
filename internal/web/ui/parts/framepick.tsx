import { useRef, useState } from "preact/hooks";
import { drop, get } from "../api";

export interface Item {
  name: string;
  path: string;
  folder: boolean;
  frame: boolean;
  size_bytes: number;
}

/** filesOf returns the files of a drop, folders opened. */
async function filesOf(data: DataTransfer): Promise<File[]> {
  const entries = [...data.items].map((i) => i.webkitGetAsEntry()).filter((e): e is FileSystemEntry => !!e);
  const out: File[] = [];
  const walk = async (e: FileSystemEntry): Promise<void> => {
    if (e.isFile) {
      out.push(await new Promise<File>((yes, no) => (e as FileSystemFileEntry).file(yes, no)));
      return;
    }
    const reader = (e as FileSystemDirectoryEntry).createReader();
    for (;;) {
      const some = await new Promise<FileSystemEntry[]>((yes, no) => reader.readEntries(yes, no));
      if (!some.length) return;
      for (const s of some) await walk(s);
    }
  };
  for (const e of entries) await walk(e);
  return out.length ? out : [...data.files];
}

const useful = /\.(fits?|fts|fz|fits?\.gz|fits?\.bz2|tiff?|dng|png|csv|toml)$/i;

/**
 * FramePick lets a person choose frames: dropped on it, chosen from this
 * machine, or from the folders that the server was started with. With folder
 * set a whole folder is one choice.
 */
export function FramePick({ label, hint, folder, many, picked }: { label: string; hint?: string; folder?: boolean; many?: boolean; picked(files: string[]): void }) {
  const [over, setOver] = useState(false);
  const [sent, setSent] = useState<{ n: number; of: number } | null>(null);
  const [wrong, setWrong] = useState("");
  const [browse, setBrowse] = useState(false);
  const input = useRef<HTMLInputElement>(null);
  const take = async (files: File[]) => {
    setWrong("");
    const some = files.filter((f) => useful.test(f.name));
    if (!some.length) {
      setWrong(files.length ? `Found nothing that holds a frame or stars among ${files.length} files: want names that end in .fits, .fit, .fts, .fz, .tif, .tiff, .dng, .png or .csv.` : "Found no files.");
      return;
    }
    const batch = folder || some.length > 1 ? "dropped-" + new Date().toISOString().slice(0, 19).replaceAll(":", "-") : "";
    const paths: string[] = [];
    try {
      for (const f of some) {
        setSent({ n: paths.length, of: some.length });
        paths.push(await drop(f, f.name, batch));
      }
      picked(folder && batch ? ["kept/" + batch] : paths);
    } catch (e) {
      setWrong((e as Error).message);
    } finally {
      setSent(null);
    }
  };
  return (
    <div
      class={"pick" + (over ? " over" : "")}
      onDragOver={(e) => {
        e.preventDefault();
        setOver(true);
      }}
      onDragLeave={() => setOver(false)}
      onDrop={async (e) => {
        e.preventDefault();
        setOver(false);
        if (e.dataTransfer) await take(await filesOf(e.dataTransfer));
      }}
    >
      <p>
        <b>{label}</b>
      </p>
      {hint && <p class="hint">{hint}</p>}
      <p class="row">
        <button type="button" onClick={() => input.current?.click()}>
          Choose {folder ? "the files" : many ? "frames" : "a frame"}
        </button>
        <button type="button" aria-expanded={browse} onClick={() => setBrowse(!browse)}>
          From a folder here
        </button>
      </p>
      <input ref={input} type="file" class="hidden" aria-label={label} tabIndex={-1} multiple={folder || many} onChange={(e) => void take([...(e.currentTarget.files ?? [])])} />
      {sent && (
        <p role="status">
          Taking {sent.n + 1} of {sent.of}…
        </p>
      )}
      {wrong && (
        <p class="wrong" role="alert">
          {wrong}
        </p>
      )}
      {browse && <Browser folder={folder} many={many} picked={picked} />}
    </div>
  );
}

function Browser({ folder, many, picked }: { folder?: boolean; many?: boolean; picked(files: string[]): void }) {
  const [at, setAt] = useState("");
  const [items, setItems] = useState<Item[] | null>(null);
  const [chosen, setChosen] = useState<string[]>([]);
  const [wrong, setWrong] = useState("");
  const asked = useRef<string | null>(null);
  if (asked.current !== at) {
    asked.current = at;
    get<Item[]>("/api/folder?path=" + encodeURIComponent(at))
      .then((i) => {
        setItems(i);
        setWrong("");
      })
      .catch((e: Error) => setWrong(e.message));
  }
  const up = at.includes("/") ? at.slice(0, at.lastIndexOf("/")) : "";
  const frames = (items ?? []).filter((i) => i.frame || i.name.endsWith(".csv"));
  return (
    <div class="browser">
      <p class="row">
        {at && (
          <button type="button" class="small" onClick={() => setAt(up)}>
            ↑ up
          </button>
        )}
        <span>{at || "The folders that holdfast was started with"}</span>
      </p>
      {wrong && <p class="wrong">{wrong}</p>}
      {items && !at && items.length <= 1 && <p class="hint">Start holdfast with --folder to have a folder here.</p>}
      <ul>
        {(items ?? []).map((i) => (
          <li key={i.path}>
            {i.folder ? (
              <button type="button" class="plain" onClick={() => setAt(i.path)}>
                ▸ {i.name}
              </button>
            ) : i.frame || i.name.endsWith(".csv") ? (
              folder ? (
                <span>{i.name}</span>
              ) : many ? (
                <label>
                  <input type="checkbox" checked={chosen.includes(i.path)} onChange={(e) => setChosen(e.currentTarget.checked ? [...chosen, i.path] : chosen.filter((c) => c !== i.path))} /> {i.name}
                </label>
              ) : (
                <button type="button" class="plain" onClick={() => picked([i.path])}>
                  {i.name}
                </button>
              )
            ) : (
              <span class="say">{i.name}</span>
            )}
          </li>
        ))}
      </ul>
      {folder && at && (
        <p class="row">
          <button type="button" class="main" onClick={() => picked([at])}>
            Use this folder{frames.length ? ` (${frames.length} frames)` : ""}
          </button>
        </p>
      )}
      {many && chosen.length > 0 && (
        <p class="row">
          <button type="button" class="main" onClick={() => picked(chosen)}>
            Use {chosen.length} frames
          </button>
        </p>
      )}
    </div>
  );
}
