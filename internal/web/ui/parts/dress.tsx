import { useEffect, useState } from "preact/hooks";
import { get } from "../api";

type Choice = "sun" | "paper" | "night";

/** wear puts a dress on. */
function wear(choice: Choice, dark: boolean) {
  document.documentElement.classList.toggle("night", choice === "night" || (choice === "sun" && dark));
}

/**
 * DressSwitch lets a person choose paper or night, or leave it to the Sun's
 * altitude where the rig stands.
 */
export function DressSwitch() {
  const asked = new URLSearchParams(location.search).get("dress") as Choice | null;
  const [choice, setChoice] = useState<Choice>(asked ?? (localStorage.getItem("dress") as Choice | null) ?? "sun");
  useEffect(() => {
    let gone = false;
    const look = async () => {
      try {
        const { sun_altitude_deg: alt } = await get<{ sun_altitude_deg: number | null }>("/api/desk");
        const dark = alt !== null && alt < -6;
        localStorage.setItem("dark", dark ? "yes" : "no");
        if (!gone) wear(choice, dark);
      } catch {
        // The dress stays as it is while the server is away.
      }
    };
    wear(choice, localStorage.getItem("dark") === "yes");
    if (choice === "sun") void look();
    const timer = setInterval(() => choice === "sun" && document.visibilityState === "visible" && void look(), 5 * 60e3);
    return () => {
      gone = true;
      clearInterval(timer);
    };
  }, [choice]);
  return (
    <label class="dress">
      Dress
      <select
        value={choice}
        onChange={(e) => {
          const next = e.currentTarget.value as Choice;
          localStorage.setItem("dress", next);
          setChoice(next);
        }}
      >
        <option value="sun">by the Sun</option>
        <option value="paper">paper</option>
        <option value="night">night</option>
      </select>
    </label>
  );
}
