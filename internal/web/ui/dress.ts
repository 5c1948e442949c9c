// The dress is chosen before anything is painted, so that a dark sky never sees
// a flash of paper: by the address, by hand, or by the Sun as it last stood.
const asked = new URLSearchParams(location.search).get("dress");
const chosen = asked ?? localStorage.getItem("dress") ?? "sun";
const dark = localStorage.getItem("dark") === "yes";
document.documentElement.classList.toggle("night", chosen === "night" || (chosen === "sun" && dark));
