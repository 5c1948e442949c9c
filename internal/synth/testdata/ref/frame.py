#!/usr/bin/python3
"""Draws a small field of stars along a path by direct summation, for TestReference.

    python3 frame.py            # writes frame.csv and path.csv beside itself
    python3 frame.py --check    # recomputes and compares with the committed ones

numpy 1.24. Nothing is transformed or tabulated: each star is a sum of Gaussians,
laid down once for every sample of the path at the place where the path then is,
and integrated over each pixel by 5 by 5 points of Gauss and Legendre's rule. Two
fields: "winged", whose resting star is five round Gaussians of weights and
widths such as air makes, and "long", one elongated Gaussian. The sky is turned against the
frame, one frame is mirrored, and the field turns and shears about a pivot.

path.csv: field, sample, east, north, ee, en, ne, nn. frame.csv: field, x, y,
value for pixels above 1e-5 of the peak, electrons.
"""
import csv
import os
import sys

import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
SCALE = 1.3  # arcsec/px
WIDTH, HEIGHT = 96, 80
SAMPLES = 120
# weight, sigma major, sigma minor (arcsec), position angle of the major axis
STARS = {"winged": [(0.30, 1.0, 1.0, 0), (0.35, 1.4, 1.4, 0), (0.2, 2.0, 2.0, 0), (0.1, 3.0, 3.0, 0), (0.05, 4.5, 4.5, 0)],
         "long": [(1.0, 2.2, 1.5, 35.0)]}
FIELDS = {"winged": dict(angle=33.0, mirrored=False, pivot=(10.0, -20.0)),
          "long": dict(angle=200.0, mirrored=True, pivot=(-15.0, 5.0))}
# x, y, electrons
PLACES = [(30.3, 22.8, 10000.0), (64.0, 25.5, 20000.0), (27.75, 57.1, 15000.0), (66.6, 54.4, 30000.0)]


def path(name):
    """Returns east, north (arcsec) and the 2 by 2 matrices of the samples."""
    t = (np.arange(SAMPLES) + 0.5) / SAMPLES
    k = 1.0 if name == "winged" else -1.4
    east = k * (1.5 * np.sin(2 * np.pi * 1.7 * t) + 2.0 * t * t)
    north = 1.2 * np.cos(2 * np.pi * 2.3 * t) - 1.0 * k * t
    turn = k * 0.03 * (t - 0.3)
    m = np.empty((SAMPLES, 2, 2))
    m[:, 0, 0] = np.cos(turn) - 1 + 0.01 * t
    m[:, 0, 1] = np.sin(turn)
    m[:, 1, 0] = -np.sin(turn)
    m[:, 1, 1] = np.cos(turn) - 1 - 0.006 * t
    return east, north, m


def axes(field):
    """Returns the arcsec east, north of a step along +x and of one along +y."""
    a = np.radians(field["angle"])
    up = np.array([np.sin(a), np.cos(a)])
    west_hand = np.array([np.sin(a - np.pi / 2), np.cos(a - np.pi / 2)])
    return SCALE * (-west_hand if field["mirrored"] else west_hand), SCALE * up


def draw(name):
    field = FIELDS[name]
    ax, ay = axes(field)
    east, north, m = path(name)
    nodes, weights = np.polynomial.legendre.leggauss(5)
    nodes, weights = nodes / 2, weights / 2
    yy, xx = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    image = np.zeros((HEIGHT, WIDTH))
    for x0, y0, electrons in PLACES:
        place = (x0 - (WIDTH - 1) / 2) * ax + (y0 - (HEIGHT - 1) / 2) * ay
        p = place - np.array(field["pivot"])
        moved = np.stack([east, north], 1) + m @ p
        near = (abs(xx - x0) < 22) & (abs(yy - y0) < 22)  # far beyond the last sigma
        px, py, sum_ = xx[near], yy[near], np.zeros(near.sum())
        for gx, wx in zip(nodes, weights):
            for gy, wy in zip(nodes, weights):
                e = (px + gx - x0) * ax[0] + (py + gy - y0) * ay[0]
                n = (px + gx - x0) * ax[1] + (py + gy - y0) * ay[1]
                for share, a, b, pa in STARS[name]:
                    s, c = np.sin(np.radians(pa)), np.cos(np.radians(pa))
                    de, dn = e[:, None] - moved[:, 0], n[:, None] - moved[:, 1]
                    q = ((de * s + dn * c) / a) ** 2 / 2 + ((de * c - dn * s) / b) ** 2 / 2
                    sum_ += electrons * share * wx * wy / SAMPLES * SCALE ** 2 / (2 * np.pi * a * b) * np.exp(-q).sum(1)
        image[near] += sum_
    return image


def main():
    rows, steps = [], []
    for name in FIELDS:
        east, north, m = path(name)
        for i in range(SAMPLES):
            steps.append([name, i] + ["%.9g" % v for v in (east[i], north[i], *m[i].ravel())])
        image = draw(name)
        for y in range(HEIGHT):
            for x in range(WIDTH):
                if image[y, x] > 1e-5 * image.max():
                    rows.append([name, x, y, "%.6g" % image[y, x]])
    if "--check" in sys.argv:
        for file, fresh in (("frame.csv", rows), ("path.csv", steps)):
            old = list(csv.reader(open(os.path.join(HERE, file))))[1:]
            assert len(old) == len(fresh), file
            for a, b in zip(old, fresh):
                assert a[0] == b[0] and np.allclose(np.array(a[1:], float), np.array(b[1:], float), rtol=1e-4, atol=1e-8), (file, a, b)
        print("synth: frame.csv and path.csv agree with", __file__.split("/")[-1])
        return
    for file, head, data in (("frame.csv", ["field", "x", "y", "electrons"], rows),
                             ("path.csv", ["field", "sample", "east_arcsec", "north_arcsec", "ee", "en", "ne", "nn"], steps)):
        with open(os.path.join(HERE, file), "w", newline="") as f:
            w = csv.writer(f, lineterminator="\n")
            w.writerow(head)
            w.writerows(data)


main()
