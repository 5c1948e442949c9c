#!/usr/bin/python3
"""Draws frames of stars of many shapes, widths and brightnesses with numpy and
scipy alone, has holdfast measure them and holds the answers to what
docs/measure.md claims.

    python3 grid.py HOLDFAST          # a small grid, in seconds
    python3 grid.py HOLDFAST --all    # the whole grid, in minutes
    python3 grid.py HOLDFAST --all -v # and a line for every frame

A frame has 400 e- of sky and 4 of read noise a pixel, one electron an ADU, and
a star in the middle of every cell, all of one shape and one ratio of signal to
noise, at random places within their pixels. A pixel holds the light that falls
on it. Shapes are Gaussian, Moffat's with exponents 2.5 to 4.7, and the air's
long exposure after Kolmogorov, drawn out to ellipses. What the widths are to be
is fitted by scipy to images without noise (stars.py); the least error a place
can have is Cramer's and Rao's, from derivatives of the same images.

Claims: from 2 to 8 px FWHM and ellipticities up to 0.5, at a ratio of 50 and
more, the FWHM is right to 1 % and the ellipticity to 0.01, or to 3.5 times the
error holdfast states where that is more; places from 1.5 to 6 px at 20 and more
to 1.05 of the bound for Gaussians, 1.15 for others; stated errors of places are
as large as the errors, from 2 px up, and at most a tenth short below. In the
corners of the grid, ellipticities of 0.5 at 2 and 8 px and a ratio of 50, the
mean over six frames has no bias above half of that.
"""
import json
import os
import subprocess
import sys
import tempfile

import numpy as np
from astropy.io import fits
from scipy.optimize import brentq
from scipy.special import j0

from stars import pixels, profile, truth

SKY, READ, SIDE = 400.0, 4.0, 12  # SIDE by SIDE stars a frame
NOISE2 = SKY + READ**2


def kolmogorov():
    """Returns the air's profile of unit light and unit FWHM, as a table."""
    # The transform of exp(-f^(5/3)); f = u^3 makes the integrand smooth at 0.
    u, w = np.polynomial.legendre.leggauss(1500)
    u, w = (u + 1) * 1.2, w * 1.2
    f = u**3
    weight = w * 3 * u**2 * f * np.exp(-(f ** (5 / 3))) * 2 * np.pi
    at = lambda r: j0(2 * np.pi * np.multiply.outer(r, f)) @ weight
    half = brentq(lambda r: at(r) - at(0.0) / 2, 0.1, 0.5)
    r = np.concatenate([np.linspace(0, 3, 3001), np.geomspace(3, 40, 1000)[1:]])
    return r, at(r * 2 * half) * (2 * half) ** 2


AIR = kolmogorov()


def shape(kind, fwhm, e, beta=0.0, angle=30.0):
    """Returns the light of a star per square pixel, and its axes."""
    a, b = fwhm / np.sqrt(1 - e), fwhm * np.sqrt(1 - e)
    if kind != "air":
        return profile(kind, a, b, angle, beta), a, b
    s, c = np.sin(np.radians(angle)), np.cos(np.radians(angle))

    def light(dx, dy):
        u, v = (dx * c + dy * s) / a, (-dx * s + dy * c) / b
        return np.interp(np.hypot(u, v), *AIR) / (a * b)

    return light, a, b


def draw(f, cell, x, y):
    j, i = np.mgrid[0:cell, 0:cell]
    return pixels(f, i - x, j - y)


def bound(f, cell, x, y, flux):
    """Returns the least variances of a place along x and y."""
    h = 0.02
    light = draw(f, cell, x, y)
    gx = flux * (draw(f, cell, x + h, y) - draw(f, cell, x - h, y)) / (2 * h)
    gy = flux * (draw(f, cell, x, y + h) - draw(f, cell, x, y - h)) / (2 * h)
    v = NOISE2 + flux * light
    info = np.array([[np.sum(gx * gx / v), np.sum(gx * gy / v)], [np.sum(gx * gy / v), np.sum(gy * gy / v)]])
    return np.diag(np.linalg.inv(info))


def side(kind, major):
    """Returns the side of a star's cell: its wings must end before the next begin."""
    return max(48, 16 * int(np.ceil((0.75 if kind == "gauss" else 1.5) * major)))


def light(ratio, stamp):
    """Returns the electrons that give a star of the stamp a ratio of signal to noise."""
    flux = ratio * np.sqrt(NOISE2)
    for _ in range(50):
        flux = ratio / np.sqrt(np.sum(stamp**2 / (NOISE2 + flux * stamp)))
    return flux


class Study:
    def __init__(self, holdfast, scratch, loud):
        self.holdfast, self.scratch, self.loud = holdfast, scratch, loud
        self.rng = np.random.default_rng(20260811)
        self.wrong = []
        self.frames = 0

    def check(self, ok, text):
        if not ok:
            self.wrong.append(text)
            print("grid.py:", text)

    def field(self, path, places, stamps, flux):
        """Draws a frame into a file; returns where its stars are."""
        cell = len(stamps[0])
        image, at = np.full((SIDE * cell, SIDE * cell), SKY), []
        for k, which in enumerate(self.rng.integers(0, len(stamps), SIDE * SIDE)):
            cx, cy = k % SIDE * cell, k // SIDE * cell
            image[cy : cy + cell, cx : cx + cell] += flux * stamps[which]
            at.append(places[which] + (cx, cy))
        noisy = self.rng.poisson(image) + READ * self.rng.standard_normal(image.shape)
        head = fits.Header()
        head["EGAIN"] = 1.0
        fits.PrimaryHDU(np.clip(np.round(noisy), 0, 65535).astype("u2"), head).writeto(path, overwrite=True)
        return np.array(at)

    def measure(self, files):
        said = subprocess.run([self.holdfast, "measure", "--json"] + files, capture_output=True, check=True).stdout
        return json.loads(said)["result"]["frames"]

    def corner(self, kind, beta, fwhm, e=0.5, ratio=50, frames=6):
        """Wants the mean of several frames of one kind without bias."""
        f, a, b = shape(kind, fwhm, e, beta)
        major, minor, _, _ = truth(f, a, b)
        size = side(kind, a)
        places = size // 2 + self.rng.uniform(-0.5, 0.5, (10, 2))
        stamps = [draw(f, size, x, y) for x, y in places]
        files = [os.path.join(self.scratch, "corner%d.fits" % k) for k in range(frames)]
        for path in files:
            self.field(path, places, stamps, light(ratio, stamps[0]))
        got = self.measure(files)
        self.frames += frames
        miss = np.array([g["fwhm_px"] for g in got]) / np.sqrt(major * minor) - 1
        e_miss = np.array([g["ellipticity"] for g in got]) - (1 - minor / major)
        label = "%s %.1f FWHM %.1f e %.1f SNR %.0f, %d frames" % (kind, beta, fwhm, e, ratio, frames)
        self.check(abs(np.mean(miss)) < 0.005, "%s: the FWHM is off by %+.2f %% in the mean" % (label, 100 * np.mean(miss)))
        self.check(abs(np.mean(e_miss)) < 0.005, "%s: the ellipticity is off by %+.4f in the mean" % (label, np.mean(e_miss)))
        if self.loud:
            print("%s: FWHM %+.2f +- %.2f %%, e %+.4f +- %.4f" % (label, 100 * np.mean(miss), 100 * np.std(miss), np.mean(e_miss), np.std(e_miss)))

    def width(self, kind, beta, fwhm, es, ratios):
        """Studies one kind and width; returns the errors of the FWHM."""
        over, pulls, off = [], [], []
        name = kind if not beta else "%s %.1f" % (kind, beta)
        for e in es:
            f, a, b = shape(kind, fwhm, e, beta)
            major, minor, angle, _ = truth(f, a, b)
            cell = side(kind, a)
            places = cell // 2 + self.rng.uniform(-0.5, 0.5, (10, 2))
            stamps = [draw(f, cell, x, y) for x, y in places]
            files, lights, truths = [], [], []
            for ratio in ratios:
                lights.append(light(ratio, stamps[0]))
                files.append(os.path.join(self.scratch, "%g.fits" % ratio))
                truths.append(self.field(files[-1], places, stamps, lights[-1]))
            for ratio, flux, at, got in zip(ratios, lights, truths, self.measure(files)):
                self.frames += 1
                label = "%s FWHM %.1f e %.1f SNR %.0f" % (name, fwhm, e, ratio)
                least = np.mean([bound(f, cell, *p, flux) for p in places[:3]], axis=0)
                stars = got["stars"]
                xy = np.array([[s["x"], s["y"]] for s in stars])
                sigma = np.array([[s["x_sigma_px"], s["y_sigma_px"]] for s in stars])
                away = np.linalg.norm(at[:, None, :] - xy[None, :, :], axis=2)
                which = np.argmin(away, axis=1)
                hit = away[np.arange(len(at)), which] < 2
                spare = 0 if ratio >= 50 else 1
                self.check(np.sum(~hit) <= spare and len(stars) <= np.sum(hit) + spare, "%s: %d stars of %d, and %d besides" % (label, np.sum(hit), len(at), len(stars) - np.sum(hit)))
                d = (xy[which] - at)[hit]
                over.append((d**2 / least).ravel())
                pulls.append((d / sigma[which][hit]).ravel())
                want = np.sqrt(major * minor)
                miss, missed = got["fwhm_px"] / want - 1, got["fwhm_sigma_px"] / want
                e_miss, e_missed = got["ellipticity"] - (1 - minor / major), got["ellipticity_sigma"]
                if fwhm >= 2 and ratio >= 50:
                    off.append(miss)
                    self.check(abs(miss) <= max(0.01, 3.5 * missed), "%s: the FWHM is off by %+.2f +- %.2f %%" % (label, 100 * miss, 100 * missed))
                    self.check(abs(e_miss) <= max(0.01, 3.5 * e_missed), "%s: the ellipticity is off by %+.4f +- %.4f" % (label, e_miss, e_missed))
                    turned = abs((got["angle_deg"] - angle + 90) % 180 - 90)
                    self.check(e < 0.1 or turned < 2, "%s: the angle is off by %.1f degrees" % (label, turned))
                if self.loud:
                    print("%-32s FWHM %+.2f %%, e %+.4f, places %.3f of the bound, pulls %.3f" % (label, 100 * miss, e_miss, np.sqrt(np.mean(over[-1])), np.sqrt(np.mean(pulls[-1] ** 2))))
        over, pulls = np.sqrt(np.mean(np.concatenate(over))), np.concatenate(pulls)
        slack = 1 / np.sqrt(2 * len(pulls))  # scatter of an rms
        label = "%s FWHM %.1f" % (name, fwhm)
        limit = 1.05 if kind == "gauss" else 1.15
        self.check(fwhm > 6 or over < limit * (1 + 2 * slack), "%s: places are off by %.3f of the bound, want %.2f" % (label, over, limit))
        spread = np.sqrt(np.mean(pulls**2))
        if fwhm < 2:
            self.check(spread < 1.1, "%s: pulls spread by %.3f, want at most 1.1" % (label, spread))
        else:
            self.check(abs(spread - 1) < 0.05 + 3 * slack, "%s: pulls spread by %.3f, want 1" % (label, spread))
            self.check(abs(np.mean(pulls)) < 3.5 / np.sqrt(len(pulls)), "%s: pulls have the mean %.3f, want 0" % (label, np.mean(pulls)))
        if self.loud:
            print("%s: places %.3f of the bound, pulls %+.3f and %.3f" % (label, over, np.mean(pulls), spread))
        return off


def main(holdfast, *flags):
    kinds, widths, es, ratios = [("gauss", 0), ("moffat", 3.5), ("air", 0)], [2.5], [0.3], [20, 60]
    if "--all" in flags:
        kinds = [("gauss", 0), ("moffat", 2.5), ("moffat", 3.5), ("moffat", 4.7), ("air", 0)]
        widths, es, ratios = [1.5, 2, 3, 4, 6, 8], [0, 0.2, 0.5], [20, 50, 200]
    with tempfile.TemporaryDirectory() as scratch:
        study = Study(os.path.abspath(holdfast), scratch, "-v" in flags)
        for kind, beta in kinds:
            off = sum((study.width(kind, beta, w, es, ratios) for w in widths), [])
            mean = np.mean(off)
            study.check(abs(mean) < 0.005 or len(off) < 5, "%s %.1f: the FWHM is off by %+.2f %% in the mean of %d frames" % (kind, beta, 100 * mean, len(off)))
            if study.loud:
                print("%s %.1f: the FWHM is off by %+.2f %% in the mean of %d frames" % (kind, beta, 100 * mean, len(off)))
            if "--all" in flags:
                study.corner(kind, beta, 2.0)
                study.corner(kind, beta, 8.0)
        print("grid.py: %d frames of %d stars measured, %d claims broken" % (study.frames, SIDE * SIDE, len(study.wrong)))
    return 1 if study.wrong else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
