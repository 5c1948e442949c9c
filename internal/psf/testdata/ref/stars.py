#!/usr/bin/python3
"""Stars drawn by FFT and fitted densely, to check package psf against.

Writes stars.csv beside itself: one star a line, its causes as text, the
elliptical Moffat profile that fits its image best by unweighted least squares
(scipy.optimize.least_squares, bounds on the tail), its true peak, and its
half-flux diameter.
Written for numpy 1.24, scipy 1.10. Run: /usr/bin/python3 stars.py
"""
import csv
import os

import numpy as np
from scipy import ndimage, optimize, special
from scipy.integrate import quad

R2A = 206264.80624709636


def kolmogorov_width():
    """FWHM of the transform of exp(-f^(5/3))."""
    def at(r):
        return quad(lambda f: f * np.exp(-f ** (5 / 3)) * special.j0(2 * np.pi * f * r), 0, 14, epsabs=1e-13, limit=500)[0]
    centre = at(0)
    return 2 * optimize.brentq(lambda r: at(r) - centre / 2, 0.1, 0.5, xtol=1e-12)


WIDTH = kolmogorov_width()


def besinc(x):
    return np.where(x < 1e-9, 1.0, 2 * special.j1(x) / np.where(x < 1e-9, 1.0, x))


_pupils = {}


def pupil_mtf(h):
    """MTF of an annular pupil by numerical autocorrelation: the transform of
    its squared amplitude, by a Hankel sum, tabulated in lambda/D units."""
    if h not in _pupils:
        # Overlap of two annuli by counting area along chords: for a shift d the
        # autocorrelation is an integral over y of the overlap of two sets of chords.
        ds = np.linspace(0, 2, 801)
        ys = (np.arange(8000) + 0.5) / 8000
        big = np.sqrt(1 - ys ** 2)
        small = np.sqrt(np.maximum(h * h - ys ** 2, 0))

        def common(a, b, d):  # overlap of [-a,a] and [d-b,d+b]
            return np.maximum(np.minimum(a, d + b) - np.maximum(-a, d - b), 0)
        out = []
        for d in ds:
            c = common(big, big, d) + common(small, small, d) - 2 * common(big, small, d)
            out.append(c.mean() * 2)
        out = np.array(out) / (np.pi * (1 - h * h))
        _pupils[h] = (ds / 2, out)
    return _pupils[h]


def otf(spec, u, v):
    total = np.ones_like(u)
    f = np.hypot(u, v)
    for part in spec.split(";"):
        name, *args = part.split()
        a = [float(x) for x in args]

        def along(pa):
            return u * np.sin(np.radians(pa)) + v * np.cos(np.radians(pa))
        if name == "air":
            total = total * np.exp(-(a[0] * f / WIDTH) ** (5 / 3))
        elif name == "gauss":  # sigma along, sigma across, PA
            total = total * np.exp(-2 * np.pi ** 2 * ((a[0] * along(a[2])) ** 2 + (a[1] * along(a[2] + 90)) ** 2))
        elif name == "airy":  # um, mm, obstruction
            x, m = pupil_mtf(a[2])
            total = total * np.interp(f * a[0] * 1e-3 / a[1] * R2A, x, m, right=0)
        elif name == "box":
            total = total * np.sinc(a[0] * along(a[1])) * np.sinc(a[0] * along(a[1] + 90))
        elif name == "trail":
            total = total * np.sinc(a[0] * along(a[1]))
        elif name == "sine":
            total = total * special.j0(2 * np.pi * a[0] * along(a[1]))
        elif name == "disc":
            d, h = a
            total = total * (besinc(np.pi * d * f) - h * h * besinc(np.pi * h * d * f)) / (1 - h * h)
        else:
            raise ValueError(name)
    return total


def draw(spec, dx, n):
    f = np.fft.fftfreq(n, dx)
    u, v = np.meshgrid(f, f)
    return np.fft.fftshift(np.fft.ifft2(otf(spec, u, v)).real) / dx ** 2


def falloff(q, g):
    return np.exp(-q) if g < 1e-7 else np.exp(-np.log1p(g * q) / g)


def fit(image, dx, reach=6.0):
    n = image.shape[0]
    c = (np.arange(n) - n // 2) * dx
    x, y = np.meshgrid(c, c)  # x east, y north
    top = image.max()
    width = 2 * np.sqrt((image > top / 2).sum() * dx * dx / np.pi)
    squares = np.eye(2) * width ** 2
    p = np.array([1.0, 2.77 / width ** 2, 0.0, 2.77 / width ** 2, 0.1])
    for _ in range(20):
        inv = np.linalg.inv(squares)
        inside = (inv[0, 0] * x * x + 2 * inv[0, 1] * x * y + inv[1, 1] * y * y < reach ** 2) & ((x > 0) | ((x == 0) & (y >= 0)))
        weight = np.where((x == 0) & (y == 0), np.sqrt(0.5), 1.0)[inside]
        xs, ys, ds = x[inside], y[inside], image[inside] / top

        def residual(p):
            q = np.maximum(p[1] * xs * xs + 2 * p[2] * xs * ys + p[3] * ys * ys, 0)
            return weight * (p[0] * falloff(q, p[4]) - ds)
        r = optimize.least_squares(residual, p, bounds=([0, 0, -np.inf, 0, 0], [np.inf] * 4 + [1 / 1.2]),
                                   x_scale=[1, p[1], p[1], p[3], 0.1], xtol=1e-10, ftol=1e-12, gtol=1e-12)
        p = r.x
        g = p[4]
        q = np.log(2) if g < 1e-7 else (2 ** g - 1) / g
        new = 4 * q * np.linalg.inv(np.array([[p[1], p[2]], [p[2], p[3]]]))
        done = np.abs(new - squares).max() < 1e-5 * np.trace(new)
        squares = new
        if done:
            break
    w, vec = np.linalg.eigh(squares)
    pa = np.degrees(np.arctan2(vec[0, 1], vec[1, 1])) % 180
    return np.sqrt(w[1]), np.sqrt(w[0]), pa, g, p[0] * top


def half_flux(image, dx):
    """Diameter of half the flux, from the image resampled in polar coordinates."""
    c = image.shape[0] // 2
    r = np.arange(0, c * 0.5, 0.2)
    angle = np.linspace(0, 2 * np.pi, 181)[:-1]
    rows = c + r[:, None] * np.cos(angle)
    columns = c + r[:, None] * np.sin(angle)
    mean = ndimage.map_coordinates(image, [rows, columns], order=3).mean(axis=1)
    step = 0.2 * dx
    ring = 2 * np.pi * r * dx * mean
    inside = np.concatenate([[0], np.cumsum((ring[1:] + ring[:-1]) / 2 * step)])
    return 2 * np.interp(0.5, inside, r * dx)


STARS = """
air 2
air 3.5;box 1.2 0
air 1.5;box 3 0
air 2;box 3 30
air 2;trail 1 90
air 2;trail 2 90
air 2;trail 3 20
air 2;trail 4 90
air 2;trail 6 135
air 2;trail 12 90
gauss 1.5 1.5 0;trail 4 90
gauss 1.5 1.5 0;trail 6 0
gauss 1.2739827 1.2739827 0;box 1 0
gauss 1.2 0.8 25;box 1 0
gauss 1.5 0.7 160;air 1.2
gauss 0.9 0.9 0;sine 1 90
gauss 0.9 0.9 0;sine 2 60
air 2.2;sine 1.5 30;box 1 0
air 2.2;sine 3 90;box 1 0
air 2;sine 0.7 90;trail 1 0
air 2;trail 1.5 40;trail 1.5 100
air 2;trail 3 40;trail 3 100
air 2;disc 1 0
air 2;disc 2 0.35
air 2;disc 3 0
air 2;disc 4 0.35
air 2;disc 6 0.5
air 2;disc 8 0.35;trail 3 70
airy 0.55 50 0
airy 0.55 50 0.2
airy 0.55 50 0;box 3.7 0
airy 0.55 50 0;box 4.8 20;air 2.5
airy 0.55 60 0;box 3.7 0;air 3
airy 0.55 250 0.35;air 1.5;box 1 0
airy 0.55 203 0.34;air 2.5;box 0.55 45
airy 0.55 80 0;air 2.5;box 1.6 0
airy 0.55 12.5 0;air 2.5;box 15 0
airy 0.55 30 0;air 2.5;box 6 10;trail 3 100
airy 0.55 100 0.4;air 2;box 1 0
airy 0.55 50 0.4;air 2;box 2 0
airy 0.55 80 0;air 2.5;gauss 0.4 0.4 0;box 1.6 20;disc 1 0;trail 1.2 90;sine 0.5 90;gauss 0.7 0 90
airy 0.55 80 0;air 2.5;gauss 0.6 0.6 0;box 1.6 20;disc 2 0;trail 0.6 10;sine 0.8 90;gauss 0.3 0.3 0
airy 0.55 120 0;air 3.2;gauss 0.5 0.5 0;box 0.9 0;trail 2.5 90;gauss 1 0.2 80
airy 0.55 120 0;air 1.6;gauss 0.3 0.3 0;box 0.9 0;trail 0.5 90;gauss 0.8 0.2 80
airy 0.55 203 0.33;air 2.8;gauss 0.6 0.4 0;box 0.46 0;disc 1.5 0.33;trail 1.5 120
airy 0.55 250 0.3;air 2;gauss 0.5 0.5 0;box 0.8 0;disc 1 0.3;sine 1.2 85
airy 0.55 355 0.32;air 3;gauss 1 0.6 100;box 0.5 5;sine 0.5 90;trail 2 0
airy 0.55 70 0;air 4;gauss 0.5 0.5 0;box 1.8 0;trail 6 30
air 2.5;gauss 0.5 0.5 0;box 1.1 70;trail 1 160
air 2.5;gauss 0.5 0.5 0;box 1.1 70;trail 5 160;sine 1 70
air 1.2;box 2 0;trail 1 45
air 1;box 2 0;trail 2 45
air 1;box 2 0;trail 4 0
air 5;box 1 0;trail 2 45
air 5;gauss 2 0.5 45
air 2;gauss 3 0.3 10
gauss 2 0.5 33
gauss 1 1 0
gauss 1 1 0;disc 6 0
air 2.5;sine 6 15
""".split("\n")


def main():
    rows = []
    for spec in STARS:
        if not spec:
            continue
        # A first look for the size, then a grid with 16 samples across the
        # smaller width and 40 of the larger across the field.
        look = fit(draw(spec, 0.25, 512), 0.25, 2.5)
        if spec.startswith("airy 0.55 12.5"):
            look = fit(draw(spec, 1.0, 512), 1.0, 2.5)
        dx = look[1] / 16
        n = 2 ** int(np.ceil(np.log2(max(1024, 24 * look[0] / dx))))
        image = draw(spec, dx, n)
        major, minor, pa, tail, peak = fit(image, dx)
        rows.append([spec] + ["%.6g" % v for v in (major, minor, pa, tail, peak, image[n // 2, n // 2], half_flux(image, dx))])
        print(rows[-1], flush=True)
    with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "stars.csv"), "w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow("causes major_arcsec minor_arcsec pa_deg tail fit_peak_arcsec2 peak_arcsec2 hfd_arcsec".split())
        w.writerows(rows)


if __name__ == "__main__":
    main()
