#!/usr/bin/python3
"""Draws two frames of stars on which programs that find stars are compared.

    python3 frames.py DIRECTORY      # writes field24 and field61 there, if absent

NAME.fits is a frame of 16 bits, NAME_truth.csv says where its stars are and how
much light they have: x and y in pixels from the centre of the first one stored.
field24 is 6000 by 4000 pixels with 3000 stars, field61 9576 by 6388 with 7646.

The stars are Gaussians of 3.0 px FWHM integrated over the pixels, at random
places at least 20 px from the edges, with 1,500 to 400,000 electrons, their
logarithms spread evenly. The sky is flat, 800 electrons a pixel; noise is
Poisson's and 3 electrons of reading. One ADU is one electron. The seeds are
fixed. Written for numpy 1.24, scipy 1.10, astropy 5.2.
"""
import os
import sys

import numpy as np
from astropy.io import fits
from scipy.stats import norm

FWHM, SKY, READ = 3.0, 800.0, 3.0
FRAMES = {"field24": (6000, 4000, 3000, 31), "field61": (9576, 6388, 7646, 32)}
REACH = 10  # pixels from a star's centre to where its drawing ends


def along(at, first):
    """Returns the share of a star's light in each column of its stamp."""
    edges = first - 0.5 + np.arange(2 * REACH + 2)
    return np.diff(norm.cdf(edges, at, FWHM / np.sqrt(8 * np.log(2))))


def draw(width, height, count, seed):
    """Returns the frame and its stars, a row of x, y and light each."""
    rng = np.random.default_rng(seed)
    light = np.exp(rng.uniform(np.log(1500), np.log(400000), count))
    stars = np.column_stack([rng.uniform(20, width - 21, count), rng.uniform(20, height - 21, count), light])
    image = np.full((height, width), SKY, dtype="f4")
    for x, y, electrons in stars:
        i, j = int(round(x)) - REACH, int(round(y)) - REACH
        image[j : j + 2 * REACH + 1, i : i + 2 * REACH + 1] += electrons * np.outer(along(y, j), along(x, i))
    frame = np.empty(image.shape, dtype="u2")
    for row, line in enumerate(image):
        noisy = rng.poisson(line) + READ * rng.standard_normal(width)
        frame[row] = np.clip(np.round(noisy), 0, 65535)
    return frame, stars


def main(directory):
    os.makedirs(directory, exist_ok=True)
    for name, spec in FRAMES.items():
        path = os.path.join(directory, name)
        if os.path.exists(path + ".fits") and os.path.exists(path + "_truth.csv"):
            continue
        frame, stars = draw(*spec)
        np.savetxt(path + "_truth.csv", stars, fmt=["%.5f", "%.5f", "%.2f"], delimiter=",", header="x,y,flux", comments="")
        head = fits.Header()
        head["EGAIN"] = (1.0, "electrons per ADU")
        # The frame is moved to its place whole: a run cut short leaves none.
        fits.PrimaryHDU(frame, head).writeto(path + ".part", overwrite=True)
        os.rename(path + ".part", path + ".fits")


if __name__ == "__main__":
    main(sys.argv[1])
