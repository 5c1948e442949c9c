"""Draws frames of stars with numpy, scipy and astropy alone and measures them
with scipy and sep, for TestReference.

    python3 stars.py            # writes *.fits.gz and stars.csv here
    python3 stars.py --check    # draws and measures them anew and compares

numpy 1.24.2, scipy 1.10.1, astropy 5.2.1, sep 1.2.1.

Every frame is 256 by 256 pixels of 16 bits, one electron an ADU, sky 400 e-,
read noise 4 e-, Poisson noise, 16 stars of one shape at random places in cells
of 64 pixels. A pixel holds the profile integrated over it, by 9 by 9 points of
Gauss and Legendre's rule. stars.csv has a line for every star: where it was
drawn, its light, the widths of the elliptical Moffat profile without background
that fits its noiseless image best by unweighted least squares (the image taken
at every eighth of a pixel, a quarter for the ring, out to six FWHM, at most 40
pixels), the half-flux diameter of that
image, and what sep says of the noisy frame: windowed position and twice the
half-light radius.
"""
import csv
import gzip
import io
import os
import sys

import numpy as np
from astropy.io import fits
from scipy.optimize import least_squares
from scipy.special import erf

HERE = os.path.dirname(os.path.abspath(__file__))
SIDE, CELL, SKY, READ = 256, 64, 400.0, 4.0
# name, kind, FWHM major, FWHM minor, angle from +x towards +y, beta or hole, flux
FRAMES = [
    ("gauss22", "gauss", 2.2, 2.2, 0, 0, 60000),
    ("gauss3", "gauss", 3.6, 2.5, 30, 0, 60000),
    ("gauss6", "gauss", 8.0, 4.0, 115, 0, 150000),
    ("moffat35", "moffat", 3.0, 3.0, 0, 3.5, 80000),
    ("moffat48", "moffat", 4.4, 3.5, 70, 4.765, 80000),
    ("ring", "ring", 16.0, 16.0, 0, 0.4, 300000),
]


def profile(kind, a, b, angle, par):
    """Returns the normalised light per square pixel at dx, dy."""
    s, c = np.sin(np.radians(angle)), np.cos(np.radians(angle))

    def form(dx, dy):
        u, v = dx * c + dy * s, -dx * s + dy * c
        return (2 * u / a) ** 2 + (2 * v / b) ** 2

    if kind == "gauss":
        return lambda dx, dy: np.exp(-np.log(2) * form(dx, dy)) * 4 * np.log(2) / (np.pi * a * b)
    if kind == "moffat":
        k = 2 ** (1 / par) - 1
        return lambda dx, dy: (1 + k * form(dx, dy)) ** -par * 4 * k * (par - 1) / (np.pi * a * b)
    # A ring of outer diameter a with a hole of par*a, its edges rounded by the
    # error function of the distance to them with sigma 0.8 px.
    area = np.pi * a * a / 4 * (1 - par * par)

    def ring(dx, dy):
        r = np.hypot(dx, dy)
        inner, outer = (0.5 * (1 - erf((r - q) / (0.8 * np.sqrt(2)))) for q in (par * a / 2, a / 2))
        return (outer - inner) / area

    return ring


NODES, WEIGHTS = np.polynomial.legendre.leggauss(9)


def pixels(f, xs, ys):
    """Integrates f over the unit pixels centred on xs, ys."""
    out = np.zeros(np.broadcast(xs, ys).shape)
    for p, u in zip(NODES, WEIGHTS):
        for q, v in zip(NODES, WEIGHTS):
            out += u * v / 4 * f(xs + p / 2, ys + q / 2)
    return out


def truth(f, a, b):
    """Widths, ellipticity, angle and half-flux diameter of the image."""
    step = 0.125 if a < 10 else 0.25
    n = int(min(6 * np.sqrt(a * b), 40) / step)
    x, y = np.meshgrid(np.arange(-n, n + 1) * step, np.arange(-n, n + 1) * step)
    im = pixels(f, x, y)

    def residual(p):
        amp, xx, xy, yy, g = p
        q = np.maximum(xx * x * x + 2 * xy * x * y + yy * y * y, 0)
        m = np.exp(-q) if g < 1e-6 else (1 + g * q) ** (-1 / g)
        return (amp * m - im).ravel()

    k = 4 * np.log(2) / (a * b)
    best = least_squares(residual, [im.max(), k, 0, k, 0.1], bounds=([0, 1e-6, -9, 1e-6, 0], [9, 9, 9, 9, 1 / 1.2]), x_scale=[im.max(), k, k, k, 0.1], xtol=1e-12, ftol=1e-12)
    amp, xx, xy, yy, g = best.x
    half = np.log(2) if g < 1e-6 else (2**g - 1) / g
    w = 4 * half * np.linalg.inv([[xx, xy], [xy, yy]])
    val, vec = np.linalg.eigh(w)
    minor, major = np.sqrt(val)
    angle = np.degrees(np.arctan2(vec[1, 1], vec[0, 1])) % 180
    r, order = np.hypot(x, y).ravel(), np.argsort(np.hypot(x, y).ravel())
    light = np.cumsum(im.ravel()[order]) * step * step
    hfd = 2 * np.interp(0.5, light, r[order])  # of all the light there is: 1
    return major, minor, angle, hfd


def draw():
    """Returns the lines of stars.csv, but for what sep says, and the frames."""
    rng = np.random.default_rng(20260607)
    rows, frames = [], {}
    for name, kind, a, b, angle, par, flux in FRAMES:
        f = profile(kind, a, b, angle, par)
        major, minor, pa, hfd = truth(f, a, b)
        im = np.full((SIDE, SIDE), SKY)
        yy, xx = np.mgrid[0:SIDE, 0:SIDE]
        for j in range(SIDE // CELL):
            for i in range(SIDE // CELL):
                x, y = (np.array([i, j]) + 0.5) * CELL - 0.5 + rng.uniform(-2, 2, 2)
                im += flux * pixels(f, xx - x, yy - y)
                rows.append([name, x, y, flux, major, minor, pa, hfd])
        frames[name] = np.clip(np.rint(rng.poisson(im) + rng.normal(0, READ, im.shape)), 0, 65535).astype("u2")
    return rows, frames


FORMS = [None, "%.5f", "%.5f", "%.0f", "%.5f", "%.5f", "%.3f", "%.5f", "%.5f", "%.5f", "%.4f"]
NAMES = "frame,x_px,y_px,flux_adu,fwhm_major_px,fwhm_minor_px,angle_deg,hfd_px,sep_x_px,sep_y_px,sep_hfd_px".split(",")


def write():
    import sep

    rows, frames = draw()
    for name, _, a, b, *_ in FRAMES:
        head = fits.Header()
        head["EGAIN"] = 1.0
        out = io.BytesIO()
        fits.PrimaryHDU(frames[name], head).writeto(out)
        with open(os.path.join(HERE, name + ".fits.gz"), "wb") as g:
            with gzip.GzipFile("", "wb", 9, g, mtime=0) as z:
                z.write(out.getvalue())
        mine = [r for r in rows if r[0] == name]
        x, y = np.array([r[1:3] for r in mine]).T
        data = frames[name].astype(float) - SKY
        u, v, _ = sep.winpos(data, x, y, np.full(len(mine), np.sqrt(a * b) / 2.3548))
        radius, _ = sep.flux_radius(data, x, y, np.full(len(mine), min(3 * a, 28.0)), 0.5, subpix=5)
        for r, *theirs in zip(mine, u, v, 2 * radius):
            r += theirs
    with open(os.path.join(HERE, "stars.csv"), "w", newline="") as g:
        w = csv.writer(g, lineterminator="\n")
        w.writerow(NAMES)
        w.writerows([[v if f is None else f % v for f, v in zip(FORMS, r)] for r in rows])


def check():
    """Draws and measures anew what is committed, but for what sep says."""
    rows, frames = draw()
    with open(os.path.join(HERE, "stars.csv")) as g:
        kept = list(csv.reader(g))[1:]
    wrong = ["%d stars, want %d" % (len(kept), len(rows))] if len(kept) != len(rows) else []
    for old, new in zip(kept, rows):
        for k in range(1, len(new)):
            # The angle of a round star says nothing.
            if abs(float(old[k]) - new[k]) > 2e-4 * abs(new[k]) + 1e-4 and not (NAMES[k] == "angle_deg" and new[4] < 1.01 * new[5]):
                wrong.append("%s at %s, %s: %s is %s, want %.5f" % (old[0], old[1], old[2], NAMES[k], old[k], new[k]))
    for name, frame in frames.items():
        if np.any(fits.getdata(os.path.join(HERE, name + ".fits.gz")) != frame):
            wrong.append("%s.fits.gz is another frame" % name)
    for w in wrong:
        print("stars.py:", w)
    print("stars.py: %d stars in %d frames, %d differences" % (len(rows), len(frames), len(wrong)))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(check() if sys.argv[1:] == ["--check"] else write())
