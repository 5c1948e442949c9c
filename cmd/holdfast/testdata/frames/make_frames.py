#!/usr/bin/python3
"""Draws one small field of stars and writes it in every format that is read.

The folders grey and mosaic hold the same pixels as FITS, TIFF, PNG and DNG,
each in a folder of its own under the name "field", so that what is measured of
them can be compared to the letter. Needs numpy, astropy, tifffile, PIL.
"""
import gzip
import io
import os
import struct

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image

W, H = 120, 88
HERE = os.path.dirname(os.path.abspath(__file__))


def field():
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:H, 0:W]
    sky = 40 + rng.normal(0, 2.5, (H, W))
    for k in range(14):
        cx, cy = 8 + (W - 16) * ((k * 0.618) % 1), 8 + (H - 16) * ((k * 0.7549) % 1)
        flux = 3000 * 0.75 ** k + 400
        sky += flux / (2 * np.pi * 1.7 ** 2) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.7 ** 2))
    return sky


def at(*names):
    path = os.path.join(HERE, *names)
    os.makedirs(os.path.dirname(path), exist_ok=True)
    return path


def dng(path, pixels):
    """Packs the mosaic into 12 bits, uncompressed."""
    v = pixels.astype(np.uint32).reshape(-1, 2)
    data = np.stack([v[:, 0] >> 4, (v[:, 0] & 15) << 4 | v[:, 1] >> 8, v[:, 1] & 255], -1).astype(np.uint8).tobytes()
    entries = []
    for tag, typ, v in [
        (254, 4, [0]), (256, 4, [W]), (257, 4, [H]), (258, 3, [12]), (259, 3, [1]), (262, 3, [32803]),
        (273, 4, [8]), (277, 3, [1]), (278, 4, [H]), (279, 4, [len(data)]),
        (33421, 3, [2, 2]), (33422, 1, [0, 1, 1, 2]), (50706, 1, [1, 4, 0, 0]), (50717, 4, [4095]),
    ]:
        b = struct.pack("<" + {1: "B", 3: "H", 4: "I"}[typ] * len(v), *v)
        entries.append(struct.pack("<HHI", tag, typ, len(v)) + b.ljust(4, b"\0"))
    with open(path, "wb") as f:
        f.write(b"II*\0" + struct.pack("<I", 8 + len(data)) + data + struct.pack("<H", len(entries)) + b"".join(entries) + b"\0\0\0\0")


def packed(path, hdu):
    b = io.BytesIO()
    hdu.writeto(b)
    with open(path, "wb") as f:
        f.write(gzip.compress(b.getvalue(), mtime=0))


def main():
    grey = np.clip(np.round(field()), 0, 4095).astype(np.uint16)
    packed(at("grey", "fits", "field"), fits.PrimaryHDU(grey))
    tifffile.imwrite(at("grey", "tiff", "field"), grey, photometric="minisblack", compression="zlib", rowsperstrip=20, metadata=None, software=False)
    Image.fromarray(grey).save(at("grey", "png", "field"), format="PNG")
    # Through filters: red and blue let less light through than green.
    share = np.ones((H, W))
    share[0::2, 0::2], share[1::2, 1::2] = 0.6, 0.45
    mosaic = np.clip(np.round(field() * share * 2), 0, 4095).astype(np.uint16)
    header = fits.Header([("BAYERPAT", "RGGB"), ("SATURATE", 4095)])
    packed(at("mosaic", "fits", "field"), fits.PrimaryHDU(mosaic, header))
    dng(at("mosaic", "dng", "field"), mosaic)


main()
