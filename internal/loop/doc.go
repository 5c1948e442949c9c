// Package loop says what a sampled correction loop leaves of a mount's errors
// and what it adds.
//
// One axis at a time. A cycle lasts Cycle seconds: the guide camera exposes
// for Exposure, then reads out, measures and moves the mount. Exposure n spans
// [n Cycle, n Cycle + Exposure]; the camera sees the mean over it of the
// disturbance, plus the motion of the air in its own path, minus the
// correction held, plus white centroid noise: m_n. The correction is an
// integrator, c_(n+1) = c_n + g m_(n-k), with gain g and k whole frames of
// extra delay, and is held through the next cycle. The imaging telescope's star
// is off by e(t) = d(t) - c(t) at every instant, between corrections too.
//
// A star is smeared by the variance of e within a sub, not by its mean: where
// a sub's length is asked for, the variance of the mean over it is taken off
// (a sine of frequency f keeps 1 - sinc^2(f L)); give +Inf for the whole
// mean square. The results hold for subs of many cycles.
//
// "Common" disturbances move both telescopes (periodic error, wind); "guide"
// disturbances are seen by the guide camera alone (air, centroid noise).
// Spectra are one-sided, in square arcseconds per hertz; sinc x is
// sin(pi x)/(pi x). The model is linear: no limits on moves, and dead band and
// backlash through equivalents. An unstable loop has NaN for every power.
//
// Servo, Drive and Waves are the same loop step by step in time, with what the
// linear model lacks: corrections that take time, limits, play, friction, lost
// stars, a wrong calibration.
//
// Sources: Franklin, Powell and Workman, Digital Control of Dynamic Systems;
// the mixed discrete and continuous powers are derived where they stand.
package loop
