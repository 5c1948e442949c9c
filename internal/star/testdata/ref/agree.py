#!/usr/bin/python3
"""Measures the same frames with holdfast, sep, photutils and astropy and says
where they agree, and by how much their definitions differ.

    python3 agree.py HOLDFAST

What must agree:
  places      with windowed centroids (sep, photutils)
  light       with sums over circles (sep, photutils)
  widths      with Gaussians fitted by astropy to the pixels of Gaussian stars
  half-flux   with sep's half-light radius, once what sep adds is taken off: it
              spreads the light of a pixel evenly over the pixel, which it has
              been spread over once already

What need not, and why, is told in docs/measure.md. The frames are drawn as
grid.py draws them. A package that is not installed is named and left out.
"""
import importlib.util
import json
import os
import subprocess
import sys
import tempfile

import numpy as np
from astropy.io import fits
from astropy.modeling import fitting, models

from grid import NOISE2, READ, SKY, draw, shape

SIDE, CELL = 8, 128
BOX = 8 * np.log(2) / 12  # by which a pixel widens the square of a Gaussian's FWHM


def frame(rng, kind, fwhm, e, beta, light):
    """Returns a frame of SIDE by SIDE stars and where they are."""
    f, _, _ = shape(kind, fwhm, e, beta)
    image, at = np.full((SIDE * CELL, SIDE * CELL), SKY), []
    for k in range(SIDE * SIDE):
        x, y = CELL // 2 + rng.uniform(-0.5, 0.5, 2)
        cx, cy = k % SIDE * CELL, k // SIDE * CELL
        image[cy : cy + CELL, cx : cx + CELL] += light * draw(f, CELL, x, y)
        at.append((cx + x, cy + y))
    noisy = rng.poisson(image) + READ * rng.standard_normal(image.shape)
    return np.clip(np.round(noisy), 0, 65535).astype("u2"), np.array(at)


class Table:
    def __init__(self):
        self.broken = 0

    def line(self, label, value, want, tolerance, form="%.4f"):
        ok = abs(value - want) <= tolerance
        self.broken += not ok
        print(("  %-58s " + form + "  want " + form + " +- " + form + "%s") % (label, value, want, tolerance, "" if ok else "   BROKEN"))

    def most(self, label, value, limit):
        ok = value <= limit
        self.broken += not ok
        print("  %-58s %.4f  want at most %.4f%s" % (label, value, limit, "" if ok else "   BROKEN"))

    def tell(self, label, value, form="%.4f"):
        print(("  %-58s " + form) % (label, value))


def gaussians(image, at):
    """Fits a Gaussian to the pixels around each place; the widths."""
    fit, out = fitting.LevMarLSQFitter(), []
    for x, y in at:
        i, j = int(round(x)), int(round(y))
        n = 10
        v, u = np.mgrid[j - n : j + n + 1, i - n : i + n + 1]
        cut = image[j - n : j + n + 1, i - n : i + n + 1]
        m = fit(models.Gaussian2D(cut.max(), x, y, 1.5, 1.5), u, v, cut)
        out.append(sorted([m.x_fwhm, m.y_fwhm]))
    return np.array(out)


def study(table, holdfast, scratch, rng, kind, fwhm, e, beta, light):
    print("%s FWHM %.1f e %.1f%s, %d electrons" % (kind, fwhm, e, " beta %.1f" % beta if beta else "", light))
    raw, at = frame(rng, kind, fwhm, e, beta, light)
    path = os.path.join(scratch, "frame.fits")
    head = fits.Header()
    head["EGAIN"] = 1.0
    fits.PrimaryHDU(raw, head).writeto(path, overwrite=True)
    said = subprocess.run([holdfast, "measure", "--json", path], capture_output=True, check=True).stdout
    got = json.loads(said)["result"]["frames"][0]
    stars = got["stars"]
    away = np.linalg.norm(at[:, None, :] - np.array([[s["x"], s["y"]] for s in stars])[None, :, :], axis=2)
    stars = [stars[k] for k in np.argmin(away, axis=1)]
    get = lambda key: np.array([s[key] for s in stars])
    x, y, sigma = get("x"), get("y"), get("x_sigma_px")
    width = np.sqrt(get("fwhm_major_px") * get("fwhm_minor_px"))
    image = raw.astype("f8") - got["background_adu"]  # the same sky for all
    table.tell("sky, e- above what was drawn: holdfast", got["background_adu"] - SKY)
    rms = lambda d: np.sqrt(np.mean(d**2))
    errors = lambda u, v: rms(np.concatenate([u - at[:, 0], v - at[:, 1]]))
    table.tell("error of places, px rms per axis: holdfast", errors(x, y))
    table.tell("  holdfast's own estimate of it", rms(sigma))

    reach = 4 * np.median(width)
    # The air has more light in its wings than the profile that fits it best.
    wings = 0.03 if kind == "air" else 0.01
    if importlib.util.find_spec("sep"):
        import sep

        half, _ = sep.flux_radius(image, x, y, np.full(len(x), reach), 0.5, subpix=9)
        u, v, _ = sep.winpos(image, x, y, 2 * half / 2.3548)
        table.tell("error of places, px rms per axis: sep, windowed", errors(u, v))
        table.line("places, holdfast less sep: mean, px", np.mean(np.concatenate([x - u, y - v])), 0, 4 * rms(sigma) / np.sqrt(2 * len(x)))
        table.most("  rms over holdfast's own estimate of its error", rms(np.concatenate([x - u, y - v])) / rms(sigma), 0.6)
        table.most("holdfast's error over sep's", errors(x, y) / errors(u, v), 1.05)
        total, _, _ = sep.sum_circle(image, x, y, reach, subpix=9)
        table.line("light, holdfast over sep in 4 FWHM: mean", np.mean(get("flux_adu") / total), 1, wings)
        theirs = np.sqrt(np.maximum((2 * half) ** 2 - BOX, 0))
        table.tell("half-flux diameter, px: holdfast", np.mean(get("hfd_px")))
        table.tell("  sep, twice the half-light radius", np.mean(2 * half))
        table.line("  holdfast over sep, the second pixel taken off", np.mean(get("hfd_px") / theirs), 1, 0.015)
    else:
        print("  sep is not installed: left out")
    if importlib.util.find_spec("photutils"):
        from photutils.aperture import CircularAperture, aperture_photometry
        from photutils.segmentation import SourceCatalog, detect_sources

        segments = detect_sources(image, 5 * np.sqrt(NOISE2), npixels=5)
        catalog = SourceCatalog(image, segments)
        nearest = np.argmin(np.hypot(catalog.xcentroid[None, :] - x[:, None], catalog.ycentroid[None, :] - y[:, None]), axis=1)
        table.tell("error of places, px rms per axis: photutils, moments", errors(catalog.xcentroid[nearest], catalog.ycentroid[nearest]))
        if hasattr(catalog, "centroid_win"):
            u, v = catalog.centroid_win[nearest].T
            table.tell("error of places, px rms per axis: photutils, windowed", errors(u, v))
            table.line("places, holdfast less photutils, windowed: mean, px", np.mean(np.concatenate([x - u, y - v])), 0, 4 * rms(sigma) / np.sqrt(2 * len(x)))
            table.most("  rms over holdfast's own estimate of its error", rms(np.concatenate([x - u, y - v])) / rms(sigma), 0.6)
        total = aperture_photometry(image, CircularAperture(np.column_stack([x, y]), reach))["aperture_sum"]
        table.line("light, holdfast over photutils in 4 FWHM: mean", np.mean(get("flux_adu") / total), 1, wings)
        table.tell("FWHM, px: holdfast, fitted", np.mean(width))
        table.tell("  holdfast, of window-corrected moments", np.mean(np.sqrt(get("moment_major_px") * get("moment_minor_px"))))
        table.tell("  photutils, of the moments above 5 sigma", np.mean(catalog.fwhm.value[nearest]))
    else:
        print("  photutils is not installed: left out")
    theirs = gaussians(image, at)
    table.tell("FWHM, px: astropy, a fitted Gaussian", np.mean(np.sqrt(np.prod(theirs, axis=1))))
    if kind == "gauss":
        table.line("  holdfast over astropy: mean", np.mean(width / np.sqrt(np.prod(theirs, axis=1))), 1, 0.005)
        table.line("  ellipticity, holdfast less astropy: mean", np.mean(get("ellipticity") - (1 - theirs[:, 0] / theirs[:, 1])), 0, 0.005)


def main(holdfast):
    rng, table = np.random.default_rng(20260812), Table()
    with tempfile.TemporaryDirectory() as scratch:
        for spec in ("gauss", 3.0, 0.0, 0, 40000), ("gauss", 4.5, 0.3, 0, 60000), ("moffat", 3.5, 0.1, 3.5, 60000), ("air", 4.0, 0.0, 0, 60000):
            study(table, os.path.abspath(holdfast), scratch, rng, *spec)
    print("agree.py: %d disagreements" % table.broken)
    return 1 if table.broken else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
