import { halt, type Trouble, type Work } from "../api";
import { Problem } from "./notice";

/** Progress shows a work that runs, with a way to stop it, and what went wrong with one that did not end well. */
export function Progress({ work, trouble, doing, again }: { work?: Work; trouble?: Trouble; doing: string; again?: () => void }) {
  if (trouble) return <Problem trouble={trouble} />;
  if (!work) return <p role="status">{doing}…</p>;
  const retry = again && (
    <button type="button" onClick={again}>
      Once more
    </button>
  );
  switch (work.state) {
    case "running":
      return (
        <div class="progress" role="status">
          <p>
            {doing}
            {work.of > 0 ? `: ${work.done} of ${work.of}` : "…"}
          </p>
          <progress max={work.of || 1} value={work.of ? work.done : undefined} aria-label={doing} />
          <button type="button" onClick={() => void halt(work.id)}>
            Stop
          </button>
        </div>
      );
    case "stopped":
      return <p>Stopped. {retry}</p>;
    case "interrupted":
      return <p>holdfast was stopped while it was at this. {retry}</p>;
    case "failed":
      return (
        <div>
          <Problem trouble={{ name: "", message: work.answer?.error ?? "It could not be done.", cautions: work.answer?.cautions ?? [] } as Trouble} />
          {retry}
        </div>
      );
  }
  return null;
}
