"""Stars of the Tycho-2 index file as astropy and numpy read it.

    /usr/bin/python3 tycho.py /usr/share/astrometry/index-tycho2-07.littleendian.fits

writes tycho.csv (240 stars drawn at random, the 20 nearest each pole and the 40
nearest right ascension 0) and cones.csv (the number of stars in 64 cones,
counted one by one; a radius grows until no star lies within 0.2 arcsec of the
edge). Run with astropy 5.2.1 and numpy 1.24.2.
"""
import sys

import numpy as np
from astropy.io import fits

name = sys.argv[1]
hdus = fits.open(name, memmap=True)


def raw(column):
    """The bytes of the table with this column: they are not what FITS calls them."""
    for hdu in hdus[1:]:
        if hdu.columns[0].name == column:
            size = hdu.header["NAXIS1"] * hdu.header["NAXIS2"]
            return np.fromfile(name, "u1", size, offset=hdu._data_offset)
    raise KeyError(column)


span = raw("kdtree_range_stars").view("<f8")
xyz = span[:3] + raw("kdtree_data_stars").view("<u4").reshape(-1, 3) / span[6]
vt = raw("MAG_VT").view(">f4").astype(float)
ra = np.degrees(np.arctan2(xyz[:, 1], xyz[:, 0])) % 360
dec = np.degrees(np.arctan2(xyz[:, 2], np.hypot(xyz[:, 0], xyz[:, 1])))

# One entry has no position and stands at exactly 0, 0: it is no star.
there = np.hypot(np.minimum(ra, 360 - ra), dec) > 1e-4
assert np.sum(~there) == 1
xyz, vt, ra, dec = xyz[there], vt[there], ra[there], dec[there]

off = np.minimum(ra, 360 - ra) * np.cos(np.radians(dec))
pick = np.concatenate([
    np.random.default_rng(1).choice(len(ra), 240, replace=False),
    np.argsort(dec)[:20], np.argsort(dec)[-20:], np.argsort(off)[:40],
])
with open("tycho.csv", "w") as f:
    print("ra_deg,dec_deg,vt_mag", file=f)
    for i in pick:
        print(f"{ra[i]:.7f},{dec[i]:.7f},{vt[i]:.3f}", file=f)

rng = np.random.default_rng(2)
unit = xyz / np.linalg.norm(xyz, axis=1)[:, None]
centres = [(0, 90), (123.4, 89.7), (200, -90), (10, -89.6), (0, 0), (359.99, 20), (0.01, -60), (300, 88)]
centres += list(zip(rng.uniform(0, 360, 56), np.degrees(np.arcsin(rng.uniform(-1, 1, 56)))))
with open("cones.csv", "w") as f:
    print("ra_deg,dec_deg,radius_deg,faintest_mag,stars", file=f)
    for k, (a, d) in enumerate(centres):
        a, d = round(a, 6), round(d, 6)
        r = (0.5, 1, 2, 5)[k % 4]
        faint = (99, 10.005)[k // 4 % 2]
        c = np.cos(np.radians(d))
        at = np.array([c * np.cos(np.radians(a)), c * np.sin(np.radians(a)), np.sin(np.radians(d))])
        apart = np.degrees(2 * np.arcsin(np.linalg.norm(unit - at, axis=1) / 2))
        while np.any(np.abs(apart - r) < 0.2 / 3600):
            r = round(r + 0.0001, 4)
        print(f"{a},{d},{r},{faint},{np.sum((apart <= r) & (vt < faint))}", file=f)
