// How numbers and times are said: with their unit, and no more digits than they
// deserve.

/** fixed writes a number with so many decimals; an unknown one as a dash. */
export function fixed(v: number | null | undefined, decimals: number): string {
  return v === null || v === undefined || Number.isNaN(v) ? "–" : v.toFixed(decimals).replace("-", "−");
}

/** three writes a number with three figures. */
export function three(v: number | null | undefined): string {
  if (v === null || v === undefined || Number.isNaN(v)) return "–";
  if (v === 0) return "0";
  const d = Math.max(0, 2 - Math.floor(Math.log10(Math.abs(v))));
  return fixed(v, Math.min(d, 6));
}

/** arcsec writes an angle on the sky. */
export function arcsec(v: number | null | undefined, decimals = 1): string {
  return fixed(v, decimals) + "″";
}

/** long writes a length of time. */
export function long(s: number | null | undefined): string {
  if (s === null || s === undefined) return "–";
  if (s < 10) return fixed(s, 1) + " s";
  if (s < 600) return fixed(s, 0) + " s";
  if (s < 7200) return fixed(s / 60, 0) + " min";
  return fixed(s / 3600, 1) + " h";
}

/** clock writes the local time of an instant, given the site's offset from UTC in hours. */
export function clock(utc: string | null | undefined, offset: number): string {
  if (!utc) return "–";
  return new Date(Date.parse(utc) + offset * 3600e3).toISOString().slice(11, 16);
}

/** day writes a date as people say it. */
export function day(date: string): string {
  const d = new Date(date + "T12:00:00Z");
  return Number.isNaN(d.getTime()) ? date : d.toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric", timeZone: "UTC" });
}

/** terms says the rows of the ledger in a person's words. */
export const terms: Record<string, string> = {
  seeing: "The air",
  diffraction: "Diffraction of the aperture",
  optics: "The optics’ own blur",
  pixels: "The pixels",
  focus: "Focus",
  tracking: "Drive error left over",
  correction_noise: "Noise of the correction",
  wind: "Wind",
  backlash: "Declination backlash",
  flexure: "Flexure between telescopes",
  mirror_shift: "Shift of the main mirror",
  field_rotation: "Field rotation",
  refraction: "Refraction",
  drift: "Drift that nothing corrects",
};
