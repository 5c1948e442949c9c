export function SkyPage() {
  return <h1>Sky</h1>;
}
