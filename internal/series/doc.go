// Package series says what a record of guide offsets tells of a drive: drift,
// periodic error, the air's motion, play, oscillation, a wrong calibration,
// what the corrections took away and what they added, and which settings would
// have done better.
//
// An offset is that of the guide star on the sky from where it is held, east
// and north positive, in arcseconds; right ascension is an angle on the sky, not
// a coordinate. A correction is the change of that offset that was asked for; it
// stands with the measurement it answers and acts before the next. A record is
// un-guided by taking the corrections out again, in the measure in which the
// star answered to them. An amplitude is half of peak to peak. Standard errors
// allow for noise that is not white.
package series
