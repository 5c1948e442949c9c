"""Reference spectra for spectrum_test.go.

Written with astropy 5.2 (LombScargle) and numpy 1.24; run: python3 spectrum.py
Writes track.csv (time, offset, piece) and spectrum.csv (frequency, share by
astropy with a floating mean, amplitude; share with a mean for each piece and a
drift by numpy.linalg.lstsq, amplitude).
"""
import numpy as np
import astropy
from astropy.timeseries import LombScargle

rng = np.random.default_rng(20260814)
n = 400
t = np.sort(np.cumsum(rng.uniform(1.2, 3.5, n)) + (np.arange(n) > 250) * 180.0)
y = 6 * np.sin(2 * np.pi * t / 239.345 + 0.7) + 1.1 * np.cos(2 * np.pi * t / 31.7) + 0.004 * t + rng.normal(0, 0.8, n)
piece = (np.arange(n) > 130).astype(int) + (np.arange(n) > 250)
y += np.array([0.0, 5.0, -3.0])[piece]
t, y = np.round(t, 3), np.round(y, 4)
freq = 0.0009 + 0.00037 * np.arange(900)
plain = LombScargle(t, y, fit_mean=True, center_data=False)
share = plain.power(freq, method="chi2", normalization="standard")
amp = [np.hypot(*plain.model_parameters(f)[1:]) for f in freq]
base = np.stack([(piece == k) * 1.0 for k in range(3)] + [t - t.mean()], 1)
left = y - base @ np.linalg.lstsq(base, y, rcond=None)[0]
share2, amp2 = [], []
for f in freq:
    a = np.column_stack([base, np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)])
    c = np.linalg.lstsq(a, y, rcond=None)[0]
    r = y - a @ c
    share2.append(1 - (r @ r) / (left @ left))
    amp2.append(np.hypot(c[-2], c[-1]))
np.savetxt("track.csv", np.column_stack([t, y, piece]), fmt=["%.3f", "%.4f", "%d"], delimiter=",")
np.savetxt("spectrum.csv", np.column_stack([freq, share, amp, share2, amp2]), fmt="%.12g", delimiter=",")
print("astropy", astropy.__version__, "numpy", np.__version__)
