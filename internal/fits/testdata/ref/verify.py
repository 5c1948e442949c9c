#!/usr/bin/python3
"""Opens FITS files with astropy, has it verify them, prints what it read.

Any irregularity is an exception; so is any warning.
"""
import pathlib
import sys
import warnings

from astropy.io import fits

warnings.simplefilter("error")
for path in sys.argv[1:]:
    name = pathlib.Path(path).stem
    with fits.open(path) as hdus:
        hdus.verify("exception")
        h = hdus[0].header
        for key in h:
            if key not in ("COMMENT", "HISTORY", ""):
                v = h[key]
                print(name, key, "%.17g" % v if isinstance(v, float) else v)
        d = hdus[0].data
        print(name, "data", d.dtype.str if d.dtype.kind == "f" else d.dtype, d.tolist())
