// The order of work at the telescope: what each step asks for and how it answers.

import { arcsec, fixed, long, three } from "./words";

/** Step is one step of the fitting. */
export interface Step {
  id: string;
  title: string;
  verb: string; // of the work that answers; "" for a step without frames
  teach: string; // what to take, and how
  caution?: string;
  frames?: string; // label of what is dropped
  many?: boolean;
  guide?: string; // label of the guide camera's frames, where they are asked for too
  test?: boolean; // separates causes
  say?(answer: any): { head: string; figure?: string; word?: string; left?: number | null };
}

const focusWords: Record<string, string> = { in: "in", out: "out", unknown: "which way is not known yet" };

export const steps: Step[] = [
  {
    id: "bolt",
    title: "Bolt it on",
    verb: "",
    teach: "Check on the light path that the shoe fits, that a stack of spacers reaches focus, and that the mount carries it. Guide tube in its rings, screws even, camera seated, cables tied to the tube so that nothing hangs.",
    caution: "Counterweights go on before the telescopes and come off after them. Never have all screws of a ring loose: support the guide tube and tether it first.",
  },
  {
    id: "seek",
    title: "Find light",
    verb: "",
    teach: "Point at a bright star or the Moon. How it must look on the guide camera, in focus and far from it, is below; a patch of light is as good as a star to begin with.",
    caution: "Never point an unfiltered telescope, large or small, near the Sun. By day keep both capped while they move.",
  },
  {
    id: "focus",
    title: "Focus the guide telescope",
    verb: "focus",
    teach: "Take one frame of stars, as far from focus as they may be: the size of their discs says how many turns are left. A second frame after a known turn says which way. Drop several frames of a run together for the best position.",
    frames: "Drop a frame of the guide camera",
    many: true,
    say: (a) => {
      const figure = a.turns !== null ? `${fixed(a.turns, 1)}` : a.defocus_mm !== null ? `${fixed(a.defocus_mm, 2)} mm` : "?";
      return {
        head: sentence(a.why),
        figure,
        word: a.turns !== null ? `turns, ${focusWords[a.direction] ?? ""}` : focusWords[a.direction] ?? "",
        left: a.turns !== null ? a.turns / 10 : null,
      };
    },
  },
  {
    id: "lock",
    title: "Lock the focuser",
    verb: "focus",
    teach: "Lock it, take another frame and drop it: locking often moves focus by more than it may. If it does, focus again by as much the other way before locking.",
    frames: "Drop a frame taken after locking",
    say: (a) => ({ head: sentence(a.why), figure: a.turns !== null ? fixed(a.turns, 2) : "?", word: "turns", left: a.turns !== null ? a.turns / 10 : null }),
  },
  {
    id: "sight",
    title: "Sight in",
    verb: "sight",
    teach: "One frame of each telescope, taken one after the other without moving the mount. The answer is in turns of the ring screws.",
    caution: "Loosen the opposite screws before you tighten one, never all screws of a ring.",
    frames: "Drop a frame of the imaging camera",
    guide: "Drop a frame of the guide camera",
    say: (a) => ({
      head: `They point ${fixed(a.offset_arcmin, 1)}′ apart.${a.matters === false ? " It does not matter for this plan." : a.matters ? " It matters for this plan." : ""} ${a.steps?.map((s: any) => s.do).join(" ") ?? ""}`,
      figure: a.steps?.[0] ? fixed(a.steps[0].turns, 1) : fixed(a.offset_arcmin, 0) + "′",
      word: a.steps?.[0] ? `turns: ${a.steps[0].ring} ring, screw ${a.steps[0].screw}` : "apart",
      left: Math.min(a.offset_arcmin / 60, 1),
    }),
  },
  {
    id: "pole",
    title: "Align the polar axis",
    verb: "pole",
    teach: "Three frames or more with the axis turned between them, sixty degrees in all if the view allows, the declination axis clamped. Which knob, which way, how much.",
    caution: "Turn slowly and watch the cables; keep clear of the tripod's legs.",
    frames: "Drop three frames or more",
    many: true,
    say: (a) => ({ head: a.knobs?.length ? a.knobs.map((k: any) => k.do).join(" ") : sentence(a.why), figure: fixed(a.off_pole_arcmin, 1) + "′", word: "from the pole", left: a.off_pole_arcmin !== null ? Math.min(a.off_pole_arcmin / 60, 1) : null }),
  },
  {
    id: "drive",
    title: "Know the drive",
    verb: "drive",
    teach: "Ten minutes and more of guide frames, or the table of offsets that a program wrote: drift, periods, play, and the settings that would have done better.",
    frames: "Drop a series (.csv) or guide frames",
    many: true,
    say: (a) => ({ head: a.advice?.length ? a.advice.join(" ") : `${arcsec(a.rms_ra_arcsec, 2)} rms in RA, ${arcsec(a.rms_dec_arcsec, 2)} in Dec.` }),
  },
  {
    id: "flex",
    title: "Know the flexure",
    verb: "flex",
    teach: "Pairs of frames, one of each telescope, over the sky: three or more pairs in different directions, on both sides of the pier.",
    frames: "Drop the imaging frames",
    many: true,
    guide: "Drop the guide frames, as many",
    say: (a) => ({ head: a.why ? sentence(a.why) : `A sub stays round for ${long(a.longest_round_sub_s)}.` }),
  },
  {
    id: "sub",
    title: "The first sub",
    verb: "measure",
    teach: "One sub of the planned length, on the target, corrected. Round? Then go on; if not, the tests below tell the causes apart.",
    frames: "Drop the first sub",
    say: (a) => {
      const f = a.frames[0];
      return { head: f.error || `${f.stars_found} stars, ${three(f.fwhm_px)} px wide and ${fixed(f.ellipticity, 2)} out of round.`, figure: fixed(f.ellipticity, 2), word: "out of round", left: f.ellipticity !== null ? Math.min(f.ellipticity / 0.5, 1) : null };
    },
  },
  { id: "short", test: true, title: "Short subs", verb: "measure", teach: "Ten subs of a tenth of the length, all else the same. Stars that are now round were drawn by something slow: drift, flexure, polar error. Stars that are still long: air, wind, optics or a hunting correction.", frames: "Drop the short subs", many: true, say: meanOf },
  { id: "off", test: true, title: "Correction off", verb: "measure", teach: "Three subs of half a minute without correction. Rounder than with it? The correction itself draws: gain too high, backlash, a wrong calibration.", frames: "Drop the uncorrected subs", many: true, say: meanOf },
  { id: "flip", test: true, title: "A flipped pair", verb: "flex", teach: "The same field from both sides of the pier, a frame of each telescope on each side. What turns over with the tube is flexure; what does not is not.", frames: "Drop the imaging frames", many: true, guide: "Drop the guide frames", say: (a) => ({ head: sentence(a.why ?? "") }) },
  { id: "press", test: true, title: "Joints pressed", verb: "measure", teach: "While short subs run, press each joint in turn with one finger: rings, shoe, focuser, camera nose. The joint at which the field jumps is the loose one. Name the frames by the joint.", caution: "One finger, not a push: a clutch that slips can let a telescope swing.", frames: "Drop the frames", many: true, say: meanOf },
];

/** meanOf says the middle of several frames. */
function meanOf(a: any) {
  const good = a.frames.filter((f: any) => f.ellipticity !== null).map((f: any) => f.ellipticity as number);
  if (!good.length) return { head: "No stars were found." };
  good.sort((x: number, y: number) => x - y);
  const mid = good[Math.floor(good.length / 2)];
  return { head: `${good.length} frames, in the middle ${fixed(mid, 2)} out of round, ${fixed(good[0], 2)} at best and ${fixed(good[good.length - 1], 2)} at worst.` };
}

/** sentence begins with a capital and ends with a full stop. */
function sentence(text: string): string {
  const t = text.trim();
  return t && t[0].toUpperCase() + t.slice(1) + (/[.!?]$/.test(t) ? "" : ".");
}
