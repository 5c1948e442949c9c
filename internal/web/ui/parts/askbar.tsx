import { useState } from "preact/hooks";
import { useSheet } from "../sheet";

/** AskBar says what the page is about, and lets a person ask for another target, evening or sub. */
export function AskBar({ title, night, sub }: { title: string; night: string; sub: string }) {
  const { question, ask } = useSheet();
  const [open, setOpen] = useState(false);
  return (
    <div class="askbar">
      <p>
        <b>{title}</b> {night && <span>{night}</span>} {sub && <span>subs of {sub}</span>}{" "}
        <button type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
          {open ? "Close" : "Another target or night"}
        </button>
      </p>
      {open && (
        <form
          onSubmit={(e) => {
            e.preventDefault();
            const f = new FormData(e.currentTarget);
            ask({ target: String(f.get("target")).trim(), date: String(f.get("date")), sub: String(f.get("sub")).trim() });
            setOpen(false);
          }}
        >
          <label>
            Target <input name="target" defaultValue={question.target} placeholder="a name or coordinates" autocomplete="off" spellcheck={false} />
          </label>
          <label>
            Evening of <input name="date" type="date" defaultValue={question.date} />
          </label>
          <label>
            Sub <input name="sub" defaultValue={question.sub} placeholder="300 s" autocomplete="off" />
          </label>
          <button type="submit">Show</button>
          <p class="hint">What is left empty is chosen for you: the rig’s target or a bright one that stands high, tonight, the rig’s sub.</p>
        </form>
      )}
    </div>
  );
}
