#!/usr/bin/python3
"""Guided nights integrated with numpy, for package loop.

    /usr/bin/python3 internal/loop/testdata/night.py          print the rms as JSON
    /usr/bin/python3 internal/loop/testdata/night.py --check  compare with night.json beside this file, exit 1 on a difference

One axis, fifty steps a second, five hours. The star is off by a sine and a
drift less what the mount has been told; the guide camera takes the mean over its
exposure with white noise on it; after the readout the mount is moved by the gain
times the offset measured some frames ago, at the guide rate, and the next
exposure begins when it stands. rms_arcsec is that of the star's offset over all
steps, measured_arcsec that of what the camera measured.
"""
import json, os, sys
import numpy as np

HZ = 50
HOURS = 5
SIDEREAL = 1296000 / 86164.0905  # arcsec per second

# amplitude arcsec, period s, drift arcsec/s, noise arcsec, exposure s, readout s, gain, delay, guide rate
CASES = [
    (10, 479, 0.01, 0.3, 2.0, 0.5, 0.5, 0, 0.5),
    (20, 430, 0.00, 0.2, 0.5, 0.2, 0.6, 0, 0.5),
    (5, 600, 0.02, 0.6, 4.0, 1.0, 0.3, 1, 0.9),
    (1, 40, 0.00, 0.1, 1.0, 0.5, 0.8, 0, 0.5),
    (15, 240, -0.03, 0.4, 1.0, 0.2, 0.25, 2, 0.5),
]


def night(case, seed):
    amplitude, period, drift, noise, exposure, readout, gain, delay, rate = case
    rng = np.random.default_rng(seed)
    end = HOURS * 3600 * HZ
    t = (np.arange(end + 100 * HZ) + 0.5) / HZ
    sky = amplitude * np.sin(2 * np.pi * t / period) + drift * t
    exposed, read = round(exposure * HZ), round(readout * HZ)
    told, at, past = 0.0, 0, [0.0] * (delay + 1)
    squares, seen, n = 0.0, [], 0
    while at < end:
        off = sky[at : at + exposed + read] - told
        m = off[:exposed].mean() + noise * rng.standard_normal()
        past = past[1:] + [m]
        move = gain * past[0]
        steps = int(np.ceil(abs(move) / (rate * SIDEREAL) * HZ))
        path = told + np.clip(np.arange(steps + 1) * rate * SIDEREAL / HZ, 0, abs(move)) * np.sign(move)
        at += exposed + read
        moving = sky[at : at + steps] - (path[:-1] + path[1:]) / 2
        at += steps
        told += move
        if at > 3600 * HZ:  # settled
            squares += (off**2).sum() + (moving**2).sum()
            n += len(off) + len(moving)
            seen.append(m)
    return {"rms_arcsec": float(np.sqrt(squares / n)), "measured_arcsec": float(np.sqrt(np.mean(np.square(seen))))}


def main():
    names = ("amplitude_arcsec", "period_s", "drift_arcsec_s", "noise_arcsec", "exposure_s", "readout_s", "gain", "delay", "guide_rate")
    got = [dict(zip(names, c), **night(c, 100 + i)) for i, c in enumerate(CASES)]
    if "--check" not in sys.argv:
        json.dump(got, sys.stdout, indent=1)
        print()
        return
    with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "night.json")) as f:
        want = json.load(f)
    bad = len(got) != len(want)
    for g, w in zip(got, want):
        for key in g:
            if not abs(g[key] - w.get(key, np.nan)) <= 1e-9 * abs(g[key]):
                print(f"night.py: {key} of {g} is {w.get(key)} in night.json")
                bad = True
    print(f"night.py: {len(got)} nights {'differ' if bad else 'agree'}")
    sys.exit(bad)


main()
