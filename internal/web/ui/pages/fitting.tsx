export function FittingPage() {
  return <h1>Fitting</h1>;
}
