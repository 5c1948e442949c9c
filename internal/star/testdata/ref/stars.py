"""Draws frames of stars with numpy, scipy and astropy alone and measures them
with scipy and sep, for TestReference.

    python3 stars.py            # writes *.fits.gz and stars.csv here

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
import csv, gzip, io
import numpy as np
import sep
from astropy.io import fits
from scipy.optimize import brentq, least_squares

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
    from scipy.special import erf

    area = np.pi * a * a / 4 * (1 - par * par)

    def ring(dx, dy):
        r = np.hypot(dx, dy)
        edge = lambda q: 0.5 * (1 - erf((r - q) / (0.8 * np.sqrt(2))))
        return (edge(a / 2) - edge(par * a / 2)) / area

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


rng = np.random.default_rng(20260607)
rows = []
for name, kind, a, b, angle, par, flux in FRAMES:
    f = profile(kind, a, b, angle, par)
    major, minor, pa, hfd = truth(f, a, b)
    im = np.full((SIDE, SIDE), SKY)
    yy, xx = np.mgrid[0:SIDE, 0:SIDE]
    stars = []
    for j in range(SIDE // CELL):
        for i in range(SIDE // CELL):
            x, y = (np.array([i, j]) + 0.5) * CELL - 0.5 + rng.uniform(-2, 2, 2)
            im += flux * pixels(f, xx - x, yy - y)
            stars.append((x, y))
    noisy = np.clip(np.rint(rng.poisson(im) + rng.normal(0, READ, im.shape)), 0, 65535).astype("u2")
    head = fits.Header()
    head["EGAIN"] = 1.0
    out = io.BytesIO()
    fits.PrimaryHDU(noisy, head).writeto(out)
    with open(name + ".fits.gz", "wb") as g:
        with gzip.GzipFile("", "wb", 9, g, mtime=0) as z:
            z.write(out.getvalue())
    data = noisy.astype(float) - SKY
    x0, y0 = np.array(stars).T
    sig = np.full(len(stars), np.sqrt(a * b) / 2.3548)
    wx, wy, _ = sep.winpos(data, x0, y0, sig)
    r50, _ = sep.flux_radius(data, x0, y0, np.full(len(stars), min(3 * a, 28.0)), 0.5, subpix=5)
    for (x, y), u, v, r in zip(stars, wx, wy, r50):
        rows.append([name, "%.5f" % x, "%.5f" % y, flux, "%.5f" % major, "%.5f" % minor, "%.3f" % pa, "%.5f" % hfd, "%.5f" % u, "%.5f" % v, "%.4f" % (2 * r)])
with open("stars.csv", "w", newline="") as g:
    w = csv.writer(g, lineterminator="\n")
    w.writerow("frame,x_px,y_px,flux_adu,fwhm_major_px,fwhm_minor_px,angle_deg,hfd_px,sep_x_px,sep_y_px,sep_hfd_px".split(","))
    w.writerows(rows)
