import { useEffect, useRef, useState } from "preact/hooks";
import { ask } from "../api";
import { useSheet } from "../sheet";

/**
 * EntryTag names an entry with its value, says when it was assumed, and sets it
 * in place when touched.
 */
export function EntryTag({ path }: { path: string }) {
  const { entries, question } = useSheet();
  const [open, setOpen] = useState(false);
  const e = entries.get(path);
  if (!e) return <span class="entry">{path}</span>;
  const state = path in question.set ? "set here" : e.assumed ? "assumed" : "";
  return (
    <span class="entry">
      <button type="button" class={"tag" + (state ? " " + state.replace(" ", "-") : "")} aria-expanded={open} onClick={() => setOpen(!open)} title={e.doc}>
        {state && <i>{state}</i>} {path} {e.shown && <b>{e.shown}</b>}
      </button>
      {open && <Setter path={path} close={() => setOpen(false)} />}
    </span>
  );
}

/** Setter sets one entry, in the rig's words; what is wrong is said in place. */
export function Setter({ path, close }: { path: string; close(): void }) {
  const { entries, question, set, unset } = useSheet();
  const e = entries.get(path)!;
  const [text, setText] = useState(e.shown);
  const [wrong, setWrong] = useState("");
  const box = useRef<HTMLFormElement>(null);
  useEffect(() => {
    box.current?.querySelector<HTMLElement>("input,select")?.focus();
  }, []);
  const submit = async (ev: Event) => {
    ev.preventDefault();
    try {
      await ask("rig", { set: { ...question.set, [path]: text } });
      set(path, text);
      close();
    } catch (err) {
      setWrong((err as Error).message);
    }
  };
  const choices = e.kind === "switch" ? ["true", "false"] : e.kind === "word" ? e.choices : null;
  return (
    <form class="setter" ref={box} onSubmit={submit} onKeyDown={(k) => k.key === "Escape" && close()}>
      <label>
        {e.doc}
        {choices ? (
          <select value={text} onChange={(x) => setText(x.currentTarget.value)}>
            {choices.map((c) => (
              <option key={c}>{c}</option>
            ))}
          </select>
        ) : (
          <input value={text} spellcheck={false} autocomplete="off" onInput={(x) => setText(x.currentTarget.value)} aria-invalid={wrong ? "true" : undefined} />
        )}
      </label>
      {wrong ? (
        <p class="wrong" role="alert">
          {wrong}
        </p>
      ) : (
        <p class="hint">
          {e.assumed ? `Assumed ${e.shown}: ${e.why}. ` : ""}
          {e.accepts}
        </p>
      )}
      <p class="row">
        <button type="submit">Set</button>
        {path in question.set && (
          <button
            type="button"
            onClick={() => {
              unset(path);
              close();
            }}
          >
            Back to the file’s
          </button>
        )}
        <button type="button" onClick={close}>
          Close
        </button>
      </p>
    </form>
  );
}
