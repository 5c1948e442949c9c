#!/usr/bin/python3
"""Intensities in the image of an annular pupil out of focus, for TestWaves.

    python3 waves.py            # writes waves.csv beside itself
    python3 waves.py --check    # recomputes and compares with the committed one

numpy and scipy. The amplitude at a distance is integrated over the pupil with
Bessel's function (Born & Wolf, Principles of Optics, section 8.8), in three
colours 14 % apart; no transfer function takes part.

Columns: waves of defocus at the rim in the middle colour, obstruction, one-axis
sigma of a Gaussian that the image is convolved with, distance from the centre,
light per area there. The unit of length is the diameter of the geometric image;
all the light is 1.
"""
import os
import sys

import numpy as np
from scipy.special import i0e, j0

COLOURS = (0.86, 1.0, 1.14)


def intensity(waves, hole, x):
    x = np.asarray(x)
    total = 0.0
    for c in COLOURS:
        w = waves / c
        n = 200 + int(60 * w)
        node, weight = np.polynomial.legendre.leggauss(n)
        rho = hole + (1 - hole) * (node + 1) / 2
        field = np.exp(2j * np.pi * w * rho**2) * rho * weight * (1 - hole) / 2
        a = 2 * (field[None, :] * j0(8 * np.pi * w * x[:, None] * rho[None, :])).sum(1) / (1 - hole**2)
        total = total + (8 * w) ** 2 * np.pi * (1 - hole**2) / 4 * np.abs(a) ** 2
    return total / len(COLOURS)


SIGMA = 0.1


def smooth(waves, hole, x):
    """Returns the light at x of the image convolved with a Gaussian on the plane:
    the mean round a circle of a Gaussian that is off its centre."""
    reach = 1.5 + 8 * SIGMA + 0.5 / waves
    n = 1500 + int(300 * waves)
    step = reach / n
    r = step * (np.arange(n) + 0.5)
    light = intensity(waves, hole, r) * r * step
    s2 = SIGMA**2
    return [np.sum(light * np.exp(-((a - r) ** 2) / (2 * s2)) * i0e(a * r / s2)) / s2 for a in x]


def rows():
    for waves in (0.25, 0.5, 1.0, 2.0, 5.0, 12.0):
        for hole in (0.0, 0.2, 0.4):
            x = np.array([0, 0.1, 0.22, 0.35, 0.44, 0.5, 0.56, 0.7, 1.0])
            for sigma, light in ((0, intensity(waves, hole, x)), (SIGMA, smooth(waves, hole, x))):
                for a, b in zip(x, light):
                    yield waves, hole, sigma, a, b


def main():
    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "waves.csv")
    got = np.array(list(rows()))
    if "--check" in sys.argv:
        want = np.loadtxt(path, delimiter=",", skiprows=1)
        worst = np.abs(got - want).max()
        if worst > 1e-5:
            sys.exit(f"{path}: off by {worst:.3g}")
        return
    with open(path, "w") as f:
        print("waves,hole,sigma,distance,light", file=f)
        for waves, hole, sigma, a, b in got:
            print(f"{waves},{hole},{sigma:g},{a},{b:.7g}", file=f)


main()
