// What the first page and the proof share: a night, and what its subs say.

import { begin, useNote, useWork, type Trouble, type Work } from "./api";
import { useState } from "preact/hooks";
import type { Line } from "./parts/ledger";
import { useSheet } from "./sheet";

/** ProofRow is a row of a proof; one that cannot be told has no numbers. */
export interface ProofRow extends Line {
  why: string;
}

export interface Cause {
  cause: string;
  probability: number;
  equivalent: string[];
  for: string[];
  against: string[];
  next_test: string;
  remedy: string;
  gain: { fwhm_arcsec: number | null; ellipticity: number | null; subs_within_goal: number } | null;
}

export interface SubSeen {
  file: string;
  error?: string;
  start_utc: string;
  exposure_s: number | null;
  star: { fwhm_arcsec: number | null; ellipticity: number | null };
  dimming_mag: number | null;
  within_goal: boolean;
  stars_found: number;
}

export interface Proved {
  sentence: string;
  star: { fwhm_arcsec: number | null; ellipticity: number | null; pa_deg: number | null };
  star_corner: { fwhm_arcsec: number | null; ellipticity: number | null };
  verdict: string;
  subs_within_goal: number;
  subs_judged: number;
  ledger: ProofRow[];
  causes: Cause[];
  learned: { entry: string; value: string }[];
  subs: SubSeen[];
  missing: string[];
  draft_rig: string;
  strip_svg: string;
}

/** Night is which night is looked at, and the work that does. */
export interface Night {
  work: string;
  files: string[];
  example: boolean;
  withRig: boolean;
}

/** useProof follows the night that was dropped last. */
export function useProof() {
  const { question } = useSheet();
  const [night, put, { ready }] = useNote<Night | null>("proof", null);
  const [wrong, setWrong] = useState<Trouble>();
  const { work, trouble } = useWork<Proved>(night?.work);
  const start = async (files: string[], example: boolean, withRig: boolean) => {
    setWrong(undefined);
    try {
      const id = example ? await begin("example", {}) : await begin("prove", { files, with_rig: withRig, set: withRig ? question.set : {} });
      put({ work: id, files, example, withRig });
    } catch (e) {
      setWrong(e as Trouble);
    }
  };
  return {
    ready,
    night,
    work: work as Work<Proved> | undefined,
    trouble: wrong ?? trouble,
    proved: work?.state === "done" ? work.answer?.result : undefined,
    prove: (files: string[], withRig = false) => start(files, false, withRig),
    example: () => start([], true, false),
    again: () => night && start(night.files, night.example, night.withRig),
    clear: () => put(null),
  };
}

/** causes says the causes in a person's words. */
export const causes: Record<string, string> = {
  none: "Nothing is wrong",
  seeing: "Only the air",
  transparency: "Cloud or dew",
  focus: "Focus",
  periodic_error: "The drive’s own error",
  polar_alignment: "Polar alignment",
  field_rotation: "Field rotation",
  flexure: "Flexure between the telescopes",
  mirror_shift: "The main mirror moves",
  refraction: "Refraction",
  loop_gain: "The gain of the correction",
  backlash: "Backlash",
  wind: "Wind",
  calibration: "The calibration of the correction",
  guide_camera: "The guide camera",
  jump: "A jump: a slip, a cable, a bump",
  optics: "The optics",
  unknown: "Something this evidence does not tell",
};
