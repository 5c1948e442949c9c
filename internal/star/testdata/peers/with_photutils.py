#!/usr/bin/python3
"""Finds and measures the stars of a frame with photutils, as its manual shows.

    python3 with_photutils.py FRAME.fits OUT.csv

OUT.csv has centroids and widths of the moments of the segments.
"""
import sys

import numpy as np
from astropy.convolution import convolve
from astropy.io import fits
from photutils.background import Background2D, MedianBackground
from photutils.segmentation import SourceCatalog, detect_sources

image = fits.getdata(sys.argv[1]).astype("f4")
sky = Background2D(image, 64, filter_size=3, bkg_estimator=MedianBackground())
image -= sky.background.astype("f4")
kernel = np.outer([1, 2, 1], [1, 2, 1]) / 16.0
smooth = convolve(image, kernel, boundary="extend").astype("f4")
segments = detect_sources(smooth, 5 * sky.background_rms_median, npixels=5)
stars = SourceCatalog(image, segments, convolved_data=smooth)
out = np.column_stack([stars.xcentroid, stars.ycentroid, stars.fwhm.value])
np.savetxt(sys.argv[2], out, delimiter=",", fmt="%.5f")
