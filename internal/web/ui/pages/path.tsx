export function PathPage() {
  return <h1>Path</h1>;
}
