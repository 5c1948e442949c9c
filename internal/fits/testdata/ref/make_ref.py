#!/usr/bin/python3
"""Writes the small FITS files next to it and what astropy reads from them.

Run with astropy 5.2 (numpy 1.24): ./make_ref.py
It writes plain.fits, tiled.fits, packed.fits.gz, packed.fits.bz2, and
want.bin.gz (little-endian float64 pixels) with its index ref.tsv. Every image
is small and odd-sized; the random numbers have fixed seeds.
"""
import bz2
import gzip
import io
import pathlib
import shutil
import subprocess
import tempfile
import warnings

import numpy as np
from astropy.io import fits

warnings.simplefilter("ignore")
rng = np.random.RandomState(20200229)
W, H = 23, 17
rows = []
want = io.BytesIO()


def note(file, hdu, data, tol, why):
    """Adds an image to the index; tol is relative to the largest value."""
    d = np.asarray(data, dtype="<f8")
    shape = (1,) * (3 - d.ndim) + d.shape if d.ndim < 3 else d.shape
    rows.append([file, hdu, shape[-1], shape[-2], int(np.prod(shape[:-2])), want.tell(), tol, why])
    want.write(d.tobytes())


def full(dtype):
    i = np.iinfo(dtype)
    d = rng.randint(i.min, i.max, (H, W), dtype=dtype, )
    d[0, 0], d[0, 1] = i.min, i.max
    return d


def sky(dtype, scale=1.0):
    """A star field: noise, three stars, no trend."""
    y, x = np.mgrid[:H, :W]
    d = 200 + rng.normal(0, 5, (H, W))
    for x0, y0, p in ((5, 4, 900), (15.3, 9.6, 3000), (20, 2, 150)):
        d += p * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / 4.5)
    return (d * scale).astype(dtype)


def plain():
    hdus = [fits.PrimaryHDU()]
    hdus[0].header["OBJECT"] = "in the primary header"

    def add(data, why, expect=None, raw=None, **cards):
        h = fits.ImageHDU(data)
        for k, v in cards.items():
            h.header[k] = v
        hdus.append(h)
        note("plain.fits", len(hdus) - 1, data if expect is None else expect, 0, why)

    add(full("u1"), "uint8")
    add(full("i1"), "int8: BZERO -128")
    add(full("i2"), "int16")
    add(full("u2"), "uint16: BZERO 32768")
    add(full("i4"), "int32")
    add(full("u4"), "uint32")
    u8 = full("i8") >> 12
    add(u8, "int64 within 52 bits")
    small = rng.randint(0, 2**50, (H, W)).astype("u8")
    small[0, :3] = 0, 1, 2
    add(small, "uint64: small values must survive BZERO 2^63")
    f = rng.normal(0, 1e3, (H, W)).astype("f4")
    f[1, 1], f[2, 2], f[3, 3], f[4, 4] = np.nan, np.inf, -np.inf, -0.0
    add(f, "float32 with NaN and infinities")
    add(rng.normal(0, 1e-7, (H, W)), "float64")
    add(rng.randint(0, 1000, (3, H, W)).astype("u2"), "three planes")
    add(rng.randint(0, 1000, (2, 3, 4, 5)).astype("i2"), "four axes: six planes")
    add(rng.randint(0, 1000, (1, 1, H, W)).astype("i2"), "degenerate axes behind")
    add(rng.randint(0, 1000, (H, 1, W)).astype("i2"), "degenerate axis between", None)
    rows[-1][2:5] = [W, H, 1]
    add(rng.randint(0, 1000, 37).astype("i2"), "one axis")

    # Scaled: the stored integers are written and astropy is asked to scale.
    def scaled(data, why, **cards):
        h = fits.ImageHDU(data)
        for k, v in cards.items():
            h.header[k] = v
        b = io.BytesIO()
        fits.HDUList([fits.PrimaryHDU(), h]).writeto(b)
        # In float64, which astropy's float32 would not reach.
        expect = data.astype("f8") * cards.get("BSCALE", 1) + cards.get("BZERO", 0)
        if "BLANK" in cards:
            expect[data == cards["BLANK"]] = np.nan
        with fits.open(io.BytesIO(b.getvalue())) as check:
            assert np.allclose(check[1].data, expect, rtol=1e-5, equal_nan=True), why
        hdus.append(h)
        note("plain.fits", len(hdus) - 1, expect, 1e-15, why)

    blank = full("i2")
    blank[3, 4:9] = -32768
    scaled(full("i2"), "int16 scaled by floats", BSCALE=0.524503242938587, BZERO=19645.0244703531)
    scaled(blank, "int16 scaled with BLANK", BSCALE=0.25, BZERO=100.0, BLANK=-32768)
    scaled(full("u1"), "uint8 scaled with BLANK", BSCALE=2.0, BZERO=-5.0, BLANK=7)
    scaled(full("i4"), "int32 scaled", BSCALE=-1e-3, BZERO=7.0)
    scaled(rng.normal(0, 1, (H, W)).astype("f4"), "float32 scaled", BSCALE=3.0, BZERO=1.0)
    fits.HDUList(hdus).writeto("plain.fits", overwrite=True, output_verify="exception")


def tiled():
    blob = io.BytesIO()
    hdus = [fits.PrimaryHDU()]
    expected = []

    def add(data, why, tol=0, nan=None, **how):
        hdus.append(fits.CompImageHDU(data, **how))
        expected.append((why, tol, data))

    noise16 = full("i2")
    for name in ("RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"):
        add(sky("u2"), name + " uint16", compression_type=name)
        add(sky("i4", 100) - 30000, name + " int32 with negative pixels", compression_type=name)
    add(sky("u1", 0.05), "RICE_1 uint8", compression_type="RICE_1")
    add(noise16, "RICE_1 of noise: blocks left unpacked", compression_type="RICE_1")
    add(np.full((H, W), 77, "i2"), "RICE_1 of one value", compression_type="RICE_1")
    runs = np.repeat(rng.randint(0, 30000, H * W // 8 + 1), 8)[: H * W].reshape(H, W)
    add(runs.astype("i2"), "RICE_1 of runs", compression_type="RICE_1", tile_size=(W, H))
    add(sky("i2") - 220, "RICE_1 int16 in tiles of 7x5", compression_type="RICE_1", tile_size=(7, 5))
    add(rng.randint(0, 5000, (3, H, W)).astype("i2"), "RICE_1 of three planes in one tile each",
        compression_type="RICE_1", tile_size=(W, 4, 2))
    add(sky("u1", 0.05), "GZIP_1 uint8", compression_type="GZIP_1")
    add(sky("i2"), "PLIO_1 int16", compression_type="PLIO_1", tile_size=(W, H))
    mask = np.zeros((H, W), "i4")
    mask[3:9, 4:] = 5
    mask[10, 3:5] = 100000
    mask[16, 22] = 1
    add(mask, "PLIO_1 of a mask, with values beyond 12 bits", compression_type="PLIO_1")
    # Its encoder runs over its own memory where the output is larger than the input.
    add(rng.randint(-150, 150, (H, W)).astype("i2"), "HCOMPRESS_1 of noise around 0", compression_type="HCOMPRESS_1", tile_size=(W, H))
    add(sky("i2") - 400, "HCOMPRESS_1 int16, negative, odd tiles", compression_type="HCOMPRESS_1", tile_size=(12, H))
    add(sky("i2"), "HCOMPRESS_1 lossy", compression_type="HCOMPRESS_1", hcomp_scale=3, tile_size=(W, H))
    f = sky("f4", 0.01)
    for i, name in enumerate(("NO_DITHER", "SUBTRACTIVE_DITHER_1", "SUBTRACTIVE_DITHER_2")):
        z = f.copy()
        z[5, 5:8] = 0
        add(z, "RICE_1 float32 " + name, 2e-7, compression_type="RICE_1", quantize_level=16,
            quantize_method=(-1, 1, 2)[i], dither_seed=9990 + i)
    n = f.copy()
    n[2, 3] = n[9, 22] = np.nan
    add(n, "RICE_1 float32 with NaN", 2e-7, compression_type="RICE_1", quantize_level=16, quantize_method=-1,
        tile_size=(W, H))  # in row tiles astropy 5.2 loses whole rows
    add(sky("f8", 0.01), "RICE_1 float64 dithered in tiles", 1e-14, compression_type="RICE_1", quantize_level=16,
        quantize_method=1, dither_seed=9999, tile_size=(11, 6))
    add(f, "HCOMPRESS_1 float32 quantised", 2e-7, compression_type="HCOMPRESS_1", quantize_level=16,
        quantize_method=1, dither_seed=3, tile_size=(W, H))
    add(f, "GZIP_2 float32 quantised", 2e-7, compression_type="GZIP_2", quantize_level=16, quantize_method=1, dither_seed=4)
    add(n, "GZIP_1 float32 lossless", compression_type="GZIP_1", quantize_level=0)
    add(sky("f8"), "GZIP_2 float64 lossless", compression_type="GZIP_2", quantize_level=0)
    wild = f.copy()
    wild[::2] = 3.25  # rows without noise can not be quantised: stand-in column
    add(wild, "RICE_1 float32 with gzip stand-ins", 2e-7, compression_type="RICE_1", quantize_level=16, quantize_method=-1)
    hl = fits.HDUList(hdus)
    hl.writeto(blob, output_verify="exception")
    with fits.open(io.BytesIO(blob.getvalue())) as back:
        for i, (why, tol, data) in enumerate(expected):
            got = np.array(back[i + 1].data)
            if data.dtype.kind != "f" and "lossy" not in why:
                assert np.array_equal(got, data), why
            if data.dtype.kind == "f":
                got = np.where(np.isnan(data), np.nan, got)
                assert np.allclose(got, data, atol=0.5, equal_nan=True), why
            note("tiled.fits", i + 1, got, tol, why)
    open("tiled.fits", "wb").write(blob.getvalue())


def table(columns, rowdata, heap, cards):
    """A binary table by hand, for what astropy does not write."""
    h = fits.Header()
    h["XTENSION"], h["BITPIX"], h["NAXIS"] = "BINTABLE", 8, 2
    h["NAXIS1"], h["NAXIS2"] = len(rowdata[0]), len(rowdata)
    h["PCOUNT"], h["GCOUNT"], h["TFIELDS"] = len(heap), 1, len(columns)
    for i, (name, form) in enumerate(columns):
        h["TTYPE%d" % (i + 1)], h["TFORM%d" % (i + 1)] = name, form
    for k, v in cards:
        h[k] = v
    data = b"".join(rowdata) + heap
    return h.tostring().encode() + data + bytes(-len(data) % 2880)


def by_hand():
    """Tiles in UNCOMPRESSED_DATA, NOCOMPRESS, and ZSCALE as a keyword."""
    d = rng.randint(-3000, 3000, (H, W)).astype(">i2")
    out = fits.PrimaryHDU().header.tostring().encode()
    image = [("ZIMAGE", True), ("ZNAXIS", 2), ("ZNAXIS1", W), ("ZNAXIS2", H)]
    ref = lambda n, off: np.array([n, off], ">i4").tobytes()
    # Even rows gzip (GZIP_1), odd rows as they are, with 64-bit descriptors.
    heap, table_rows = b"", []
    for y in range(H):
        if y % 2 == 0:
            z = gzip.compress(d[y].tobytes(), mtime=0)
            table_rows.append(np.array([len(z), len(heap)], ">i8").tobytes() + ref(0, 0))
        else:
            z = d[y].tobytes()
            table_rows.append(np.array([0, 0], ">i8").tobytes() + ref(W, len(heap)))
        heap += z
    out += table([("COMPRESSED_DATA", "1QB(99)"), ("UNCOMPRESSED_DATA", "1PI(23)")], table_rows, heap,
                 image + [("ZBITPIX", 16), ("ZCMPTYPE", "GZIP_1")])
    note("byhand.fits", 1, d, 0, "uncompressed stand-ins, descriptors of 64 bits")
    out += table([("COMPRESSED_DATA", "1PB(99)")], [ref(2 * W, 2 * W * y) for y in range(H)], d.tobytes(),
                 image + [("ZBITPIX", 16), ("ZCMPTYPE", "NOCOMPRESS"), ("BLANK", int(d[4, 4]))])
    expect = d.astype("f8")
    expect[d == d[4, 4]] = np.nan
    note("byhand.fits", 2, expect, 0, "NOCOMPRESS with BLANK")
    q = d.astype(">i4")
    packed = [gzip.compress(q[y].tobytes(), mtime=0) for y in range(H)]
    offs = np.cumsum([0] + [len(p) for p in packed])
    out += table([("COMPRESSED_DATA", "1PB(99)"), ("ZBLANK", "1J")],
                 [ref(len(p), offs[y]) + np.array([q[y, 3]], ">i4").tobytes() for y, p in enumerate(packed)], b"".join(packed),
                 image + [("ZBITPIX", -32), ("ZCMPTYPE", "GZIP_1"), ("ZSCALE", 0.125), ("ZZERO", -4.0)])
    expect = q * 0.125 - 4.0
    for y in range(H):
        expect[y, q[y] == q[y, 3]] = np.nan
    note("byhand.fits", 3, expect, 0, "ZSCALE and ZZERO as keywords, ZBLANK as a column")
    # PLIO by hand: for every pixel "set the high value" (two words) and "one high
    # pixel". Unsigned pixels stand there as they are, whatever BZERO says, as
    # fpack 1.7 (cfitsio 4.2) writes and reads them.
    u = rng.randint(0, 30000, (H, W))
    u[0, 0], u[0, 1], u[1, 0] = 0, 4095, 65535
    lists = []
    for y in range(H):
        words = [0, 7, -100, 0, 0, 0, 0]
        for v in u[y]:
            words += [0x1000 + (v & 0xFFF), v >> 12, 0x4001]
        words[3] = len(words)
        lists.append(np.array(words, ">i2").tobytes())
    offs = np.cumsum([0] + [len(p) for p in lists])
    plio = table([("COMPRESSED_DATA", "1PI(76)")], [ref(len(p) // 2, offs[y]) for y, p in enumerate(lists)], b"".join(lists),
                 image + [("ZBITPIX", 16), ("ZCMPTYPE", "PLIO_1"), ("BZERO", 32768), ("BSCALE", 1)])
    out += plio
    note("byhand.fits", 4, u, 0, "PLIO_1 uint16")
    open("byhand.fits", "wb").write(out)
    if shutil.which("funpack"):
        with tempfile.TemporaryDirectory() as d:
            pathlib.Path(d, "a.fz").write_bytes(fits.PrimaryHDU().header.tostring().encode() + plio)
            subprocess.run(["funpack", "-O", d + "/a.fits", d + "/a.fz"], check=True)
            assert any(np.array_equal(h.data, u) for h in fits.open(d + "/a.fits")), "funpack disagrees"


def packed():
    d = sky("u2")
    b = io.BytesIO()
    fits.PrimaryHDU(d).writeto(b)
    open("packed.fits.gz", "wb").write(gzip.compress(b.getvalue(), mtime=0))
    open("packed.fits.bz2", "wb").write(bz2.compress(b.getvalue()))
    note("packed.fits.gz", 0, d, 0, "gzip")
    note("packed.fits.bz2", 0, d, 0, "bzip2")


plain()
tiled()
by_hand()
packed()
open("want.bin.gz", "wb").write(gzip.compress(want.getvalue(), mtime=0))
with open("ref.tsv", "w") as f:
    f.write("file\thdu\twidth\theight\tplanes\toffset\ttolerance\twhat\n")
    for r in rows:
        f.write("\t".join(str(c) for c in r) + "\n")
