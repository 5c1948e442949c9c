/** Drawing shows a drawing that the server made. */
export function Drawing({ svg, class: name }: { svg?: string; class?: string }) {
  return <div class={"drawing " + (name ?? "")} dangerouslySetInnerHTML={{ __html: svg ?? "" }} />;
}
