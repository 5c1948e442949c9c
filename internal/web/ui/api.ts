// What the pages ask of the server, and how answers come back.

import { useEffect, useRef, useState } from "preact/hooks";

/** Envelope is what every verb answers with. */
export interface Envelope<R, D = unknown> {
  tool: string;
  version: string;
  verb: string;
  assumed: Assumed[];
  cautions: string[];
  result: R;
  error?: string;
  drawings?: D;
}

export interface Assumed {
  entry: string;
  value: string;
  why: string;
}

/** Trouble is an answer that says why there is none. */
export class Trouble extends Error {
  constructor(
    message: string,
    readonly cautions: string[] = [],
  ) {
    super(message);
  }
}

async function read<T>(res: Response): Promise<T> {
  const type = res.headers.get("Content-Type") ?? "";
  if (!type.startsWith("application/json")) {
    throw new Trouble((await res.text()).trim() || `the server answered ${res.status}`);
  }
  const body = await res.json();
  if (!res.ok) throw new Trouble(body.error ?? `the server answered ${res.status}`, body.cautions ?? []);
  return body as T;
}

async function send(path: string, init?: RequestInit): Promise<Response> {
  try {
    return await fetch(path, init);
  } catch (e) {
    if (e instanceof DOMException && e.name === "AbortError") throw e;
    throw new Trouble("holdfast does not answer: is it still running?");
  }
}

/** ask puts a question about the rig and the sky. */
export async function ask<R, D = unknown>(verb: string, question: unknown, signal?: AbortSignal): Promise<Envelope<R, D>> {
  return read(await send("/api/" + verb, { method: "POST", body: JSON.stringify(question), signal, headers: { "Content-Type": "application/json" } }));
}

/** get reads something of the pages' own. */
export async function get<T>(path: string, signal?: AbortSignal): Promise<T> {
  return read(await send(path, { signal }));
}

/** Answer is a question's answer on a page: the last good one stays while the next is awaited. */
export interface Answer<R, D> {
  envelope?: Envelope<R, D>;
  trouble?: Trouble;
  waiting: boolean;
}

/**
 * useAnswer asks whenever the question changes. Questions are put one at a time
 * and the newest wins, so that a hand on a slider is never behind. A question
 * that is null is not put; pause is how many milliseconds it must have rested;
 * another stamp puts it again.
 */
export function useAnswer<R, D = unknown>(verb: string, question: unknown, pause = 0, stamp = ""): Answer<R, D> {
  const [answer, set] = useState<Answer<R, D>>({ waiting: true });
  const text = question === null ? null : JSON.stringify(question);
  const next = useRef<string | null>(null);
  const busy = useRef(false);
  const gone = useRef(false);
  useEffect(() => {
    gone.current = false;
    return () => {
      gone.current = true;
    };
  }, []);
  useEffect(() => {
    if (text === null) return;
    const run = async () => {
      next.current = text;
      if (busy.current) return;
      busy.current = true;
      while (next.current !== null && !gone.current) {
        const now: string = next.current;
        next.current = null;
        set((a) => (a.waiting ? a : { ...a, waiting: true }));
        try {
          const envelope = await ask<R, D>(verb, JSON.parse(now));
          if (!gone.current) set({ envelope, waiting: next.current !== null });
        } catch (e) {
          if (!gone.current) set((a) => ({ envelope: a.envelope, trouble: e as Trouble, waiting: next.current !== null }));
        }
      }
      busy.current = false;
    };
    const timer = setTimeout(run, pause);
    return () => clearTimeout(timer);
  }, [verb, text, pause, stamp]);
  return answer;
}

/** Work is something that takes longer than a moment. */
export interface Work<R = unknown> {
  id: string;
  verb: string;
  ask: unknown;
  begun_utc: string;
  state: "running" | "done" | "failed" | "stopped" | "interrupted";
  done: number;
  of: number;
  answer?: Envelope<R>;
}

/** begin starts a work and returns its name. */
export async function begin(verb: string, question: unknown): Promise<string> {
  const res = await send("/api/works/" + verb, { method: "POST", body: JSON.stringify(question), headers: { "Content-Type": "application/json" } });
  return (await read<{ id: string }>(res)).id;
}

/** halt stops a work. */
export async function halt(id: string): Promise<void> {
  await send("/api/works/" + id, { method: "DELETE" });
}

/** drop hands a file to the server and returns what it is called there. */
export async function drop(file: Blob, name: string, batch = ""): Promise<string> {
  const q = new URLSearchParams({ name, batch });
  const res = await send("/api/drop?" + q, { method: "POST", body: file, headers: { "Content-Type": "application/octet-stream" } });
  return (await read<{ path: string }>(res)).path;
}

type Listener = (news: string) => void;

const listeners = new Set<Listener>();
let source: EventSource | undefined;

/** tune listens to the server while somebody on a page that is seen wants its news. */
function tune() {
  const wanted = listeners.size > 0 && document.visibilityState === "visible";
  if (wanted && !source) {
    source = new EventSource("/api/events");
    source.onmessage = (m) => listeners.forEach((l) => l(m.data));
    source.onopen = () => listeners.forEach((l) => l("again"));
  } else if (!wanted && source) {
    source.close();
    source = undefined;
  }
}
document.addEventListener("visibilitychange", tune);

/** useNews calls back with every line of news, and with "again" when some may have been missed. */
export function useNews(heard: Listener, wanted = true) {
  const latest = useRef(heard);
  latest.current = heard;
  useEffect(() => {
    if (!wanted) return;
    const l: Listener = (news) => latest.current(news);
    listeners.add(l);
    tune();
    return () => {
      listeners.delete(l);
      tune();
    };
  }, [wanted]);
}

/** useWork follows a work to its end, over restarts of the server too. */
export function useWork<R>(id: string | undefined): { work?: Work<R>; trouble?: Trouble } {
  const [state, set] = useState<{ work?: Work<R>; trouble?: Trouble }>({});
  const fetchIt = async () => {
    if (!id) return;
    try {
      set({ work: await get<Work<R>>("/api/works/" + id) });
    } catch (e) {
      set({ trouble: e as Trouble });
    }
  };
  useEffect(() => {
    set({});
    void fetchIt();
  }, [id]);
  const open = !!id && !state.trouble && (!state.work || state.work.state === "running");
  useNews((news) => {
    if (news === "again" || news === "work " + id) void fetchIt();
  }, open);
  return state;
}

/**
 * useNote is something a page remembers: on the disk of the server before the
 * page calls it kept, and the same on every page that is open.
 */
export function useNote<T>(name: string, otherwise: T): [T, (next: T) => void, { ready: boolean; kept: boolean }] {
  const [value, set] = useState<T>(otherwise);
  const [ready, setReady] = useState(false);
  const [kept, setKept] = useState(true);
  const mine = useRef(0);
  const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  const load = async () => {
    try {
      const v = await get<T | null>("/api/notes/" + name);
      if (mine.current === 0) set(v ?? otherwise);
    } finally {
      setReady(true);
    }
  };
  useEffect(() => {
    void load();
  }, [name]);
  useNews((news) => {
    if ((news === "note " + name || news === "again") && mine.current === 0) void load();
  });
  const put = (next: T) => {
    set(next);
    setKept(false);
    mine.current++;
    clearTimeout(timer.current);
    timer.current = setTimeout(async () => {
      const upTo = mine.current;
      try {
        await send("/api/notes/" + name, { method: "PUT", body: JSON.stringify(next), headers: { "Content-Type": "application/json" } });
        setKept(true);
      } finally {
        if (mine.current === upTo) mine.current = 0;
      }
    }, 150);
  };
  return [value, put, { ready, kept }];
}
