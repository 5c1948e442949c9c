export function FirstPage() {
  return <h1>First</h1>;
}
