#!/usr/bin/python3
"""Finds and measures the stars of a frame with sep, as its manual shows.

    python3 with_sep.py FRAME.fits OUT.csv

OUT.csv has windowed positions and twice the half-light radius.
"""
import sys

import numpy as np
import sep
from astropy.io import fits

image = fits.getdata(sys.argv[1]).astype("f4")
sky = sep.Background(image, bw=64, bh=64, fw=3, fh=3)
image -= sky.back()
sep.set_extract_pixstack(1000000)
found = sep.extract(image, 5.0, err=sky.globalrms, minarea=5)
radius, _ = sep.flux_radius(image, found["x"], found["y"], 6 * found["a"], 0.5, subpix=5)
x, y, _ = sep.winpos(image, found["x"], found["y"], np.maximum(radius, 0.5) * 2 / 2.35)
np.savetxt(sys.argv[2], np.column_stack([x, y, 2 * radius]), delimiter=",", fmt="%.5f")
