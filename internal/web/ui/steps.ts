// The order of work at the telescope: what each step asks for, and how its
// answer is said.

import { arcsec, fixed, long, three } from "./words";

/** Far is a figure to be read from the other end of the telescope. */
export interface Far {
  name: string; // of the choice, where there are several
  figure: string;
  word: string; // which way, or of what
  left: number | null; // 0 is there, 1 is far away; for the tone
}

/** Said is an answer as a person is told it. */
export interface Said {
  head: string;
  list?: Round[]; // what to do, in order
  aside?: boolean; // list and drawing are for whoever wants them all the same
  body?: string;
  facts?: [string, string][];
  far?: Far[];
  short: string; // for the list of steps
}

/** Round is a few things to do, one after the other. */
export interface Round {
  head?: string;
  items: string[];
}

/** Step is one step of the fitting. */
export interface Step {
  id: string;
  title: string;
  verb: string; // of the work that answers; "" for a step without frames
  teach: string;
  take?: [string, string][]; // what to point at, how long to expose, what to bring
  danger?: string; // what can hurt
  caution?: string; // what can harm the rig, or the measurement
  files?: string; // label of what is brought
  many?: boolean; // more than one, each added to those before
  camera?: "imaging" | "guide"; // that takes them; it says which folder is watched
  guide?: string; // label of the guide camera's frames, where they are asked for too
  locked?: string; // label of frames taken after the lock
  others?: string; // label of the changed subs, where two sets are compared
  joints?: boolean; // joints pressed one by one
  asks?: Record<string, unknown>; // beside the frames
  test?: boolean; // parts causes
  answered: string; // where
  say(answer: any): Said;
}

interface Reading {
  hfd_px: number | null;
}

interface Focus {
  verdict: string;
  why: string;
  direction: "in" | "out" | "unknown";
  defocus_mm: number | null;
  turns: number | null;
  turns_sigma: number | null;
  zone_mm: number | null;
  zone_turns: number | null;
  best_position: number | null;
  best_position_sigma: number | null;
  sharp_hfd_px: number | null;
  lock: { verdict: string; why: string } | null;
  frames: Reading[];
}

interface Sight {
  offset_arcmin: number;
  offset_sigma_arcmin: number | null;
  tolerance_arcmin: number | null;
  matters: boolean | null;
  why: string;
  steps: { ring: string; screw: number; turns: number; do: string }[];
  screws: { ring: string; screw: number; at: string }[];
  imaging: { says: string };
  guide: { says: string };
}

interface Pole {
  why: string;
  verdict: string;
  off_pole_arcmin: number | null;
  off_pole_sigma_arcmin: number | null;
  altitude_arcmin: number | null;
  azimuth_arcmin: number | null;
  dec_drift_arcsec_min: number | null;
  limit_arcmin: number | null;
  limit_why: string;
  matters: boolean | null;
  span_deg: number | null;
  knobs: { knob: string; direction: string; arcmin: number; turns: number | null; do: string }[];
}

interface Drive {
  verdict: string;
  why: string;
  exposures: number;
  span_s: number;
  drift_ra_arcsec_min: number | null;
  drift_dec_arcsec_min: number | null;
  rms_ra_arcsec: number | null;
  rms_dec_arcsec: number | null;
  periods: { axis: string; period_s: number; amplitude_arcsec: number }[];
  motion_arcsec: number | null;
  backlash_arcsec: number | null;
  backlash_why: string;
  advice: string[];
}

interface Flex {
  verdict: string;
  why: string;
  drift_arcsec_h: number | null;
  longest_round_sub_s: number | null;
  sub_s: number | null;
  matters: boolean | null;
  joints: { joint: string; says: string; moved_arcsec: number | null }[];
}

interface Sub {
  verdict: string;
  why: string;
  stars_found: number;
  fwhm_px: number | null;
  ellipticity: number | null;
  ellipticity_sigma: number | null;
  planned_fwhm_px: number | null;
  planned_ellipticity: number | null;
  goal_ellipticity: number;
}

interface Apart {
  verdict: string;
  why: string;
  usual: { frames: number; ellipticity: number | null };
  changed: { frames: number; ellipticity: number | null };
}

/** near maps a distance to what is left of the way, so that the last of it is heard best. */
function near(distance: number | null, one: number | null, most: number): number | null {
  if (distance === null || one === null || !(one > 0)) return null;
  return Math.min(Math.log1p(Math.abs(distance) / one) / Math.log1p(most), 1);
}

function sayFocus(f: Focus): Said {
  const inFocus = f.verdict === "in focus";
  const way = f.direction === "unknown" ? "in or out" : f.direction;
  const turns = f.turns !== null ? `${fixed(f.turns, f.turns < 1 ? 2 : 1)}` : null;
  const heads: Record<string, string> = {
    "in focus": "In focus.",
    "out of focus": turns !== null ? `${turns} turns to go, ${way}.` : f.defocus_mm !== null ? `${fixed(f.defocus_mm, 2)} mm to go, ${way}.` : "Out of focus.",
    found: `The best position is ${fixed(f.best_position, digits(f.best_position_sigma))}.`,
    beyond: `Focus lies beyond the run, ${way}.`,
    "too shallow": "Too near to focus to tell from this.",
    "no stars": "No stars to focus on.",
  };
  const last = [...f.frames].reverse().find((r) => r.hfd_px !== null);
  const far: Far[] = [];
  const word = inFocus ? "there" : f.direction === "unknown" ? "either way" : f.direction;
  if (turns !== null) far.push({ name: "turns", figure: inFocus ? "0" : turns, word: inFocus ? "there" : "turns " + word, left: inFocus ? 0 : near(f.turns, f.zone_turns, 40) });
  else if (f.defocus_mm !== null) far.push({ name: "distance", figure: fixed(f.defocus_mm, 1), word: "mm " + word, left: inFocus ? 0 : near(f.defocus_mm, f.zone_mm, 40) });
  if (last) far.push({ name: "width", figure: fixed(last.hfd_px, 1), word: "pixels wide", left: f.sharp_hfd_px ? Math.min(Math.max(Math.log(last.hfd_px! / f.sharp_hfd_px) / Math.log(20), 0), 1) : null });
  const facts: [string, string][] = [];
  if (last) facts.push(["half of the light within", `${three(last.hfd_px)} px`]);
  if (f.sharp_hfd_px !== null) facts.push(["in focus it would be", `${three(f.sharp_hfd_px)} px`]);
  if (f.defocus_mm !== null) facts.push(["from focus", `${three(f.defocus_mm)} mm`]);
  if (f.zone_mm !== null) facts.push(["does not matter within", `±${two(f.zone_mm)} mm${f.zone_turns ? `, ${two(f.zone_turns)} turn` : ""}`]);
  return { head: heads[f.verdict] ?? sentence(f.verdict), body: sentence(f.why) + (f.lock ? " The lock: " + sentence(f.lock.why) : ""), facts, far, short: inFocus ? "in focus" : turns !== null && f.verdict === "out of focus" ? `${turns} turns ${way}` : f.verdict };
}

const times = ["", "", "twice", "three times", "four times", "five times", "six times"];

/** rounds gathers turns of screws by their ring, and those that are repeated. */
function rounds(s: Sight): Round[] {
  const out: Round[] = [];
  for (const ring of ["front", "rear"]) {
    const of = s.steps.filter((x) => x.ring === ring);
    if (!of.length) continue;
    const same = (a: (typeof of)[0], b: (typeof of)[0]) => a.screw === b.screw && Math.abs(a.turns - b.turns) < 0.005;
    let n = 1;
    while (n < of.length && !(of.length % n === 0 && of.every((x, i) => same(x, of[i % n])))) n++;
    const again = of.length / n;
    const seat = (x: (typeof of)[0]) => s.screws.find((w) => w.ring === ring && w.screw === x.screw)?.at ?? "";
    out.push({
      head: `${ring[0].toUpperCase()}${ring.slice(1)} ring${again > 1 ? `, ${times[again] ?? again + " times"} over` : ""}`,
      items: of.slice(0, n).map((x) => `${screw(x)}, ${seat(x)}: ${x.turns < 0 ? "loosen" : "turn in"} ${fixed(Math.abs(x.turns), 2)} turn, ${x.turns < 0 ? "anticlockwise" : "clockwise"}.`),
    });
  }
  return out;
}

/** screw is what a screw is called on the drawing. */
function screw(x: { ring: string; screw: number }): string {
  return x.ring[0].toUpperCase() + x.screw;
}

function saySight(s: Sight): Said {
  const apart = `${fixed(s.offset_arcmin, s.offset_arcmin < 10 ? 1 : 0)}′`;
  const first = s.steps[0];
  const far: Far[] = [];
  const left = near(s.offset_arcmin, 2, 60);
  if (first && s.matters !== false) far.push({ name: "screw", figure: fixed(Math.abs(first.turns), 2), word: `${screw(first)} ${first.turns < 0 ? "out" : "in"}`, left });
  far.push({ name: "apart", figure: apart, word: s.matters === false ? "leave it" : "apart", left });
  return {
    head: `They point ${apart} apart.${s.matters === false ? " Leave it: it does not matter for this plan." : s.matters ? " It matters for this plan." : ""}`,
    list: rounds(s),
    aside: s.matters === false,
    body: sentence(s.why),
    facts: [
      ["the imaging camera", s.imaging.says],
      ["the guide camera", s.guide.says],
    ],
    far,
    short: apart + " apart",
  };
}

/** beyond says a signed angle by its side. */
function beyond(arcmin: number | null, plus: string, minus: string): [string, string] {
  return [arcmin !== null && arcmin < 0 ? minus : plus, `${fixed(arcmin === null ? null : Math.abs(arcmin), 1)}′`];
}

function sayPole(p: Pole): Said {
  if (p.verdict === "not certain") return unsettled(p.why);
  const off = p.off_pole_arcmin === null ? "–" : `${fixed(p.off_pole_arcmin, p.off_pole_arcmin < 10 ? 1 : 0)}′`;
  const matters = p.matters === false ? " Good enough for this plan." : p.matters ? " It is worth turning." : "";
  return {
    head: `The axis is ${off} from the pole.${matters}`,
    list: [{ items: p.knobs.map((k) => sentence(k.do)) }],
    aside: p.matters === false,
    body: sentence(p.why),
    facts: [
      beyond(p.altitude_arcmin, "too high", "too low"),
      beyond(p.azimuth_arcmin, "too far east", "too far west"),
      ["a star drifts at most", `${arcsec(p.dec_drift_arcsec_min, 2)} a minute`],
      ...(p.limit_arcmin !== null ? ([["this plan bears", `${three(p.limit_arcmin)}′: ${p.limit_why}`]] as [string, string][]) : []),
    ],
    far: [{ name: "axis", figure: off, word: p.matters === false ? "good enough" : p.knobs[0]?.direction ?? "from the pole", left: near(p.off_pole_arcmin, 1, 60) }],
    short: off + " off",
  };
}

const driveHeads: Record<string, string> = {
  steady: "The drive is followed well.",
  periodic: "The periodic error shows most.",
  drifting: "It drifts, and nothing corrects it.",
  oscillating: "The correction swings.",
  calibration: "Corrections go the wrong way.",
  backlash: "Declination does not follow at once.",
  "no answer": "The star does not answer to corrections.",
  unknown: "Too little to tell.",
};

function sayDrive(d: Drive): Said {
  const p = d.periods[0];
  return {
    head: driveHeads[d.verdict] ?? sentence(d.verdict),
    list: [{ items: d.advice.map(sentence) }],
    body: sentence(d.why),
    facts: [
      ["seen over", `${long(d.span_s)}, ${d.exposures} exposures`],
      ["rms", `${arcsec(d.rms_ra_arcsec, 2)} in RA, ${arcsec(d.rms_dec_arcsec, 2)} in Dec`],
      ["drift a minute", `${arcsec(d.drift_ra_arcsec_min, 2)} in RA, ${arcsec(d.drift_dec_arcsec_min, 2)} in Dec`],
      ...(p ? ([["period", `${three(p.period_s)} s, ${arcsec(2 * p.amplitude_arcsec, 1)} peak to peak in ${p.axis === "ra" ? "RA" : "Dec"}`]] as [string, string][]) : []),
      ...(d.motion_arcsec !== null ? ([["air and noise", `${arcsec(d.motion_arcsec, 2)} from exposure to exposure`]] as [string, string][]) : []),
      ["play in declination", d.backlash_arcsec !== null ? arcsec(d.backlash_arcsec, 1) : d.backlash_why || "not known"],
    ],
    short: d.verdict,
  };
}

function sayFlex(f: Flex): Said {
  const facts: [string, string][] = f.drift_arcsec_h !== null ? [["drift", `${arcsec(f.drift_arcsec_h, 1)} an hour`]] : [];
  if (f.verdict === "not certain") return { ...unsettled(f.why), facts };
  if (f.joints.length) {
    const [head, ...rest] = f.why.split(": ");
    return { head: sentence(head), list: [{ items: f.joints.map((j) => sentence(`${j.joint}: ${j.says}`)) }], body: sentence(rest.join(": ")), short: "pressed" };
  }
  const round = f.longest_round_sub_s;
  if (round === null) return { head: sentence(f.why), facts, short: f.verdict };
  const plan = f.matters === false ? " That is enough for this plan." : f.matters ? ` This plan’s takes ${long(f.sub_s)}.` : "";
  return { head: `A sub stays round for ${long(round)}.${plan}`, body: sentence(f.why), facts, short: `round for ${long(round)}` };
}

/** unsettled is the answer of frames that can not tell. */
function unsettled(why: string): Said {
  return { head: "These frames do not settle it.", body: sentence(why.replace(/^the frames do not settle it: /i, "")), short: "not certain" };
}

function saySub(s: Sub): Said {
  const heads: Record<string, string> = { round: "Round.", drawn: "Drawn.", unknown: "Open." };
  return {
    head: heads[s.verdict] ?? sentence(s.verdict),
    body: sentence(s.why),
    facts: [
      ["stars", String(s.stars_found)],
      ["out of round", `${fixed(s.ellipticity, 2)}, planned ${fixed(s.planned_ellipticity, 2)}, goal ${fixed(s.goal_ellipticity, 2)}`],
      ["width", `${fixed(s.fwhm_px, 1)} px, planned ${fixed(s.planned_fwhm_px, 1)} px`],
    ],
    far: s.ellipticity === null ? [] : [{ name: "shape", figure: fixed(s.ellipticity, 2), word: s.verdict === "unknown" ? "out of round" : s.verdict, left: near(s.ellipticity, 0.1, 8) }],
    short: s.verdict,
  };
}

/** sayApart says what two sets tell; changed names the second. */
function sayApart(changed: string) {
  return (a: Apart): Said => {
    const heads: Record<string, string> = { rounder: `Rounder ${changed}.`, "less round": `Less round ${changed}.`, alike: `No rounder ${changed}.`, "not parted": "They can not be told apart yet." };
    return {
      head: heads[a.verdict] ?? sentence(a.verdict),
      body: sentence(a.why),
      facts: [
        ["as usual", `${fixed(a.usual.ellipticity, 2)} out of round, ${a.usual.frames} subs`],
        [changed, `${fixed(a.changed.ellipticity, 2)} out of round, ${a.changed.frames} subs`],
      ],
      short: a.verdict,
    };
  };
}

/** two writes a number with two figures. */
function two(v: number): string {
  return String(Number(v.toPrecision(2)));
}

/** digits returns how many decimals a number of this uncertainty deserves. */
function digits(sigma: number | null): number {
  return sigma === null || !(sigma > 0) ? 0 : Math.min(Math.max(Math.ceil(-Math.log10(sigma)), 0), 3);
}

/** sentence begins with a capital and ends with a full stop. */
export function sentence(text: string): string {
  const t = text.trim();
  return t && t[0].toUpperCase() + t.slice(1) + (/[.!?]$/.test(t) ? "" : ".");
}

const nothing: Said = { head: "", short: "" };

const imagingSet = "Bring usual subs";

export const steps: Step[] = [
  {
    id: "bolt",
    title: "Bolt it on",
    verb: "",
    answered: "",
    teach: "By daylight, indoors. Guide telescope into its rings, all screws even and half of their way in, the camera seated to its stop, cables tied to the tube so that none hangs free.",
    take: [
      ["Shoe", "Does the bolt pattern fit, are the rings as far apart as they go, does nothing rock when it is pressed?"],
      ["Reach", "Does a stack of spacers bring the sensor into focus?"],
      ["Load", "Does the mount carry it, and is it balanced again about both axes?"],
    ],
    danger: "Counterweights go on before the telescopes and come off after them. Clamp both axes while anything is bolted. Never have all screws of a ring loose: support the guide telescope and tether it first.",
    say: () => nothing,
  },
  {
    id: "seek",
    title: "Find light",
    verb: "",
    answered: "",
    teach: "Point at something bright and look for any light at all on the guide camera. A patch as large as half the sensor is as good as a star to begin with.",
    danger: "Never point a telescope, large or small, near the Sun: it blinds and burns in an instant. By day keep both capped while they move.",
    say: () => nothing,
  },
  {
    id: "focus",
    title: "Focus",
    verb: "focus",
    answered: "here",
    teach: "One frame of stars, as far from focus as they may be, says how many turns are left. A second one after a small turn says which way. A run of three or more, each with its position, gives the best one.",
    take: [
      ["Point at", "a field with many stars, high up, away from the Moon"],
      ["Expose", "1 to 3 s, so that the air’s dance averages out; not so long that the brightest stars are full"],
      ["Bring", "the frame as the camera wrote it. Nothing need be in focus yet"],
    ],
    files: "Bring a frame",
    many: true,
    camera: "guide",
    locked: "Bring a frame taken after locking the focuser",
    say: sayFocus,
  },
  {
    id: "sight",
    title: "Sight in",
    verb: "sight",
    answered: "here",
    teach: "How far apart do the telescopes point, does that matter, and which of the ring screws bring them together? Asked of one frame of each, taken one after the other without moving the mount.",
    take: [
      ["Point at", "any field with stars; or the Moon or one bright star on both frames, if they can not be solved"],
      ["Expose", "5 to 30 s with the imaging camera, 1 to 3 s with the guide camera"],
      ["Know", "on which side of the pier the tube is"],
    ],
    caution: "Loosen one screw before you tighten its opposite, and never all screws of a ring.",
    files: "Bring a frame of the imaging camera",
    camera: "imaging",
    guide: "Bring a frame of the guide camera",
    say: saySight,
  },
  {
    id: "pole",
    title: "Polar axis",
    verb: "pole",
    answered: "here",
    teach: "Three frames, the mount turned in right ascension between them and clamped in declination, say where its axis points: which knob, which way, how much, and whether this plan needs it.",
    take: [
      ["Point at", "any part of the sky with stars; near the pole if you can see it"],
      ["Turn", "right ascension only, 30° and more between frames, 60° or more in all"],
      ["Expose", "5 to 20 s, with either camera, the same one for all"],
    ],
    caution: "Turn slowly and watch the cables; keep clear of the tripod’s legs. A heavy head can drop when its lock is opened: loosen it only as far as the knob needs.",
    files: "Bring a frame",
    many: true,
    camera: "imaging",
    say: sayPole,
  },
  {
    id: "drive",
    title: "Drive",
    verb: "drive",
    answered: "here",
    teach: "Drift, periods, play, whether the correction swings, and the settings that would have done better.",
    take: [
      ["Bring", "a table of offsets that the guide program wrote, or guide frames taken without correction"],
      ["Take", "two turns of the worm or more: a quarter of an hour for most mounts"],
      ["Point at", "the meridian, near the equator, where errors of the drive are largest"],
    ],
    files: "Bring a table, or guide frames",
    many: true,
    camera: "guide",
    say: sayDrive,
  },
  {
    id: "flex",
    title: "Flexure",
    verb: "flex",
    answered: "here",
    teach: "Does the guide telescope look where the imaging telescope looks, wherever they point? Pairs of frames tell, one of each telescope taken at the same time.",
    take: [
      ["Take", "three pairs or more over the sky, or of one field over an hour while it is corrected"],
      ["Point", "low and high, on both sides of the meridian"],
      ["Keep", "the clock of the computer right: pairs are told by their times"],
    ],
    files: "Bring the imaging frames",
    many: true,
    camera: "imaging",
    guide: "Bring the guide frames, one for each",
    say: sayFlex,
  },
  {
    id: "sub",
    title: "The first sub",
    verb: "sub",
    answered: "here",
    teach: "One sub of the planned length, on the target, corrected. Round? Then go on. If not, the tests below part the causes.",
    take: [
      ["Wait", "half a minute after the slew, until the correction has settled"],
      ["Expose", "as long as the plan says, not shorter: what draws a star is often slow"],
    ],
    files: "Bring the first sub",
    camera: "imaging",
    say: saySub,
  },
  {
    id: "short",
    test: true,
    title: "Short subs",
    verb: "compare",
    answered: "here; drop the whole night on the proof for how sure it is",
    teach: "Is what draws the stars slow or fast? Subs of a tenth of the length, all else the same, beside usual ones.",
    take: [
      ["Save", "five usual subs, then five of a tenth of their length, on the same field without touching anything"],
      ["Rounder", "something slow draws them: drift, flexure, the turn of the field"],
      ["As drawn", "wind, tilt, the optics, or a correction that hunts"],
    ],
    files: imagingSet,
    many: true,
    camera: "imaging",
    others: "Bring the short subs",
    asks: { test: "short" },
    say: sayApart("when short"),
  },
  {
    id: "off",
    test: true,
    title: "Correction off",
    verb: "compare",
    answered: "here; drop the whole night on the proof for how sure it is",
    teach: "Does the correction help or harm? Subs with and without it, short enough that the drive’s own error does not swamp them.",
    take: [
      ["Save", "five subs of half a minute with correction, then five without"],
      ["Rounder", "the correction draws them: gain, play, a wrong calibration"],
      ["As drawn", "neither drive nor correction: flexure, tilt, the optics"],
    ],
    files: "Bring subs with correction",
    many: true,
    camera: "imaging",
    others: "Bring subs without correction",
    asks: { test: "off" },
    say: sayApart("uncorrected"),
  },
  {
    id: "flip",
    test: true,
    title: "Flipped pair",
    verb: "flex",
    answered: "here",
    teach: "What turns over with the tube is flexure or a mirror; what does not is the sky or the mount. The same field from both sides of the pier.",
    take: [
      ["Save", "a pair of frames on each side of the pier, one of each telescope, of the same field near the meridian"],
      ["Keep", "focus and screws untouched between"],
    ],
    caution: "Watch the first flip from beside the mount: cables catch, and a tube can meet the pier.",
    files: "Bring the imaging frames",
    many: true,
    camera: "imaging",
    guide: "Bring the guide frames, one for each",
    say: sayFlex,
  },
  {
    id: "press",
    test: true,
    title: "Joints pressed",
    verb: "flex",
    answered: "here",
    teach: "Which joint gives? Three short frames for each: before, while one finger presses on it, and after. A joint that stays where it was pushed slips; one that comes back is soft.",
    take: [
      ["Save", "three frames of 2 s for each joint, in that order"],
      ["Press", "with one finger, as hard as on a doorbell: rings, shoe, focuser, camera, clutch"],
      ["With", "the imaging camera, the mount tracking, no correction"],
    ],
    caution: "One finger, no push: a clutch that slips lets a telescope swing.",
    files: "Bring the three frames",
    many: true,
    camera: "imaging",
    joints: true,
    say: sayFlex,
  },
];
