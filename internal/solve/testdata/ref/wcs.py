#!/usr/bin/python3
"""Where astropy says that the pixels of solved frames lie.

    /usr/bin/python3 internal/solve/testdata/ref/wcs.py          write wcs.csv beside this file
    /usr/bin/python3 internal/solve/testdata/ref/wcs.py --check  recompute, exit 1 on a difference

cards.txt holds the header cards of frames that holdfast solved (written by
go test ./internal/solve -run Cards -update). For each frame: pixels, counted
from 0, to the sky; and back, once by iteration (all_world2pix) and once by the
inverse polynomials AP and BP alone, as simple readers do it. Made with Debian's
python3-astropy 5.2.1; no network.
"""
import csv, io, os, sys
import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

here = os.path.dirname(os.path.abspath(__file__))


def frames():
    head, size = None, None
    for line in open(os.path.join(here, "cards.txt")):
        word, _, rest = line.rstrip("\n").partition(" ")
        if word == "FRAME":
            if head is not None:
                yield size, head
            head, size = fits.Header(), tuple(int(v) for v in rest.split())
        elif rest.startswith("'"):
            head[word] = rest.strip("'")
        else:
            head[word] = float(rest) if "." in rest else int(rest)
    yield size, head


out = io.StringIO()
table = csv.writer(out, lineterminator="\n")
table.writerow(["frame", "x", "y", "ra_deg", "dec_deg", "x_back", "y_back", "x_poly", "y_poly"])
for n, (size, head) in enumerate(frames()):
    w = WCS(head)
    xs, ys = np.meshgrid(np.linspace(0, size[0] - 1, 5), np.linspace(0, size[1] - 1, 5))
    xs, ys = xs.ravel(), ys.ravel()
    ra, dec = w.all_pix2world(xs, ys, 0)
    bx, by = w.all_world2pix(ra, dec, 0, tolerance=1e-9, maxiter=100)
    fx, fy = w.wcs_world2pix(ra, dec, 0)
    px, py = fx, fy
    if w.sip is not None:
        u, v = fx - (w.wcs.crpix[0] - 1), fy - (w.wcs.crpix[1] - 1)
        px = fx + np.polynomial.polynomial.polyval2d(u, v, w.sip.ap)
        py = fy + np.polynomial.polynomial.polyval2d(u, v, w.sip.bp)
    for row in zip(xs, ys, ra, dec, bx, by, px, py):
        table.writerow([n] + ["%.10f" % v for v in row])

name = os.path.join(here, "wcs.csv")
if "--check" in sys.argv:
    rows = lambda text: [[float(v) for v in r] for r in list(csv.reader(io.StringIO(text)))[1:]]
    was, now = np.array(rows(open(name).read())), np.array(rows(out.getvalue()))
    if was.shape != now.shape or np.abs(was - now).max() > 1e-7:
        sys.exit("wcs.csv differs from what astropy says now")
    print("wcs.csv: %d pixels agree" % len(now))
else:
    open(name, "w").write(out.getvalue())
