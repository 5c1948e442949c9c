import type { Trouble } from "../api";

/** Cautions shows what can hurt first, then what to mind. */
export function Cautions({ list }: { list?: string[] }) {
  if (!list?.length) return null;
  const danger = list.filter((c) => c.startsWith("Danger. "));
  const rest = list.filter((c) => !c.startsWith("Danger. "));
  return (
    <div class="cautions">
      {danger.map((c) => (
        <p class="danger" role="alert" key={c}>
          <b>Danger.</b> {c.slice(8)}
        </p>
      ))}
      {rest.map((c) => (
        <p key={c}>{c}</p>
      ))}
    </div>
  );
}

/** Problem shows why there is no answer, in the rig's words. */
export function Problem({ trouble }: { trouble?: Trouble }) {
  if (!trouble) return null;
  return (
    <div class="problem" role="alert">
      <Cautions list={trouble.cautions} />
      {trouble.message.split("\n").map((line, i) => (
        <p key={i}>{line}</p>
      ))}
    </div>
  );
}
