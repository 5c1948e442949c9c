// The sheet is what the pages of the desk are about: the rig, what was set in
// place, the target, the evening and the sub.

import { createContext, type ComponentChildren } from "preact";
import { useContext, useMemo } from "preact/hooks";
import { useAnswer, useNote, type Trouble } from "./api";

export interface Entry {
  path: string;
  doc: string;
  kind: "number" | "word" | "text" | "switch" | "lengths";
  unit: string;
  min: number | null;
  max: number | null;
  whole: boolean;
  unset: string;
  choices: string[];
  main: boolean;
  applies: boolean;
  shown: string;
  value: number | null;
  value_sigma: number | null;
  assumed: boolean;
  why: string;
  accepts: string;
}

export interface RigAnswer {
  name: string;
  file: string;
  text: string;
  entries: Entry[];
}

/** Question is what is asked of the rig and the sky. */
export interface Question {
  set: Record<string, string>;
  target: string;
  date: string;
  sub: string;
}

interface Sheet {
  question: Question;
  ready: boolean;
  kept: boolean;
  rig?: RigAnswer;
  stamp: string; // another one when another rig is in use
  rigTrouble?: Trouble;
  entries: Map<string, Entry>;
  ask(part: Partial<Question>): void;
  set(entry: string, value: string): void;
  unset(entry: string): void;
  use(rigText: string): void;
}

const blank: Question = { set: {}, target: "", date: "", sub: "" };

const context = createContext<Sheet | null>(null);

export function SheetProvider({ children }: { children: ComponentChildren }) {
  const [question, put, { ready, kept }] = useNote<Question>("sheet", blank);
  const [rigNote, putRig] = useNote<{ text: string } | null>("rig", null);
  const stamp = rigNote?.text ?? "";
  const { envelope, trouble } = useAnswer<RigAnswer>("rig", ready ? { set: question.set } : null, 0, stamp);
  const rig = envelope?.result;
  const entries = useMemo(() => new Map((rig?.entries ?? []).map((e) => [e.path, e])), [rig]);
  const sheet: Sheet = {
    question,
    ready,
    kept,
    rig,
    rigTrouble: trouble,
    stamp,
    entries,
    ask: (part) => put({ ...question, ...part }),
    set: (entry, value) => put({ ...question, set: { ...question.set, [entry]: value } }),
    use: (text) => {
      putRig({ text });
      put({ ...question, set: {} });
    },
    unset: (entry) => {
      const { [entry]: _, ...rest } = question.set;
      put({ ...question, set: rest });
    },
  };
  return <context.Provider value={sheet}>{children}</context.Provider>;
}

/** useSheet returns the sheet. */
export function useSheet(): Sheet {
  return useContext(context)!;
}
