export function ProofPage() {
  return <h1>Proof</h1>;
}
