#!/usr/bin/python3
"""Writes the reference pictures beside it with programs other than holdfast.

Needs numpy, PIL, tifffile (Debian python3-numpy, python3-pil,
python3-tifffile), tiffcp (libtiff-tools), convert (imagemagick), and dump2dcm
and dcmcjpeg (dcmtk), which encode lossless JPEG.

Every picture shows the same pattern of whole numbers, which the test computes
again: v(x, y, c) below, in 16 bits; shifted right for fewer; as it is in floats
and wider integers. The name of a file says how to expect its pixels:
KIND_BITS_*.tif, with KIND grey, white (0 is white), rgb, int, float or cfa.

Made with tifffile 2023.2.3, PIL 9.4, libtiff 4.5.0, ImageMagick 6.9.11,
dcmtk 3.6.7.
"""
# The committed files are what it wrote; a run may differ in a few bytes that
# are no pixels, such as dates.
import os
import struct
import subprocess
import tempfile

import numpy as np
import tifffile
from PIL import Image

W, H = 23, 17
HERE = os.path.dirname(os.path.abspath(__file__))


def pattern(c, w=W, h=H):
    y, x = np.mgrid[0:h, 0:w].astype(np.int64)
    return ((x * x * 7 + y * 1931 + c * 10007 + ((x * y * 31) >> 3) + 40000 * ((x * 5 + y * 3) % 11 == 0)) % 65536).astype(np.uint16)


GREY = pattern(0)
RGB = np.stack([pattern(c) for c in range(3)], -1)
RGBA = np.stack([pattern(c) for c in range(4)], -1)


def at(name):
    return os.path.join(HERE, name)


def tif(name, data, **kw):
    kw.setdefault("metadata", None)
    kw.setdefault("software", False)
    tifffile.imwrite(at(name), data, **kw)


def run(*args):
    subprocess.run(args, check=True)


def with_tifffile():
    tif("grey_16_le.tif", GREY, byteorder="<", photometric="minisblack", rowsperstrip=5)
    tif("grey_16_be.tif", GREY, byteorder=">", photometric="minisblack")
    tif("grey_16_big.tif", GREY, bigtiff=True, photometric="minisblack")
    tif("grey_16_bigbe.tif", GREY, bigtiff=True, byteorder=">", photometric="minisblack")
    tif("grey_16_tile.tif", GREY, photometric="minisblack", tile=(16, 16))
    tif("grey_16_zip.tif", GREY, photometric="minisblack", compression="zlib", rowsperstrip=4)
    tif("grey_16_pages.tif", np.stack([GREY, GREY[::-1]]), photometric="minisblack")
    tif("white_16_le.tif", 65535 - GREY, photometric="miniswhite")
    tif("grey_8_le.tif", (GREY >> 8).astype(np.uint8), photometric="minisblack")
    tif("grey_32_be.tif", GREY.astype(np.uint32), byteorder=">", photometric="minisblack")
    tif("int_16_be.tif", (GREY.astype(np.int32) - 32768).astype(np.int16), byteorder=">", photometric="minisblack")
    tif("int_32_le.tif", GREY.astype(np.int32) - 32768, photometric="minisblack")
    tif("float_16_le.tif", (GREY >> 6).astype(np.float16), photometric="minisblack")
    tif("float_32_le.tif", GREY.astype(np.float32), photometric="minisblack")
    tif("float_32_be.tif", GREY.astype(np.float32), byteorder=">", photometric="minisblack", compression="zlib")
    tif("float_64_le.tif", GREY.astype(np.float64), photometric="minisblack")
    tif("rgb_16_le.tif", RGB, photometric="rgb", planarconfig="contig")
    tif("rgb_16_planar.tif", RGB.transpose(2, 0, 1), photometric="rgb", planarconfig="separate", rowsperstrip=6)
    tif("rgb_16_planartile.tif", RGB.transpose(2, 0, 1), photometric="rgb", planarconfig="separate", tile=(16, 16))
    tif("rgb_16_alpha.tif", RGBA, photometric="rgb", extrasamples=["unassalpha"])
    tif("rgb_8_tile.tif", (RGB >> 8).astype(np.uint8), photometric="rgb", tile=(16, 16))
    # The first directory a small picture, the one of full size below it.
    with tifffile.TiffWriter(at("grey_16_sub.tif")) as t:
        t.write(GREY[::4, ::4], photometric="minisblack", subfiletype=1, subifds=1, metadata=None, software=False)
        t.write(GREY, photometric="minisblack", metadata=None)


def with_libtiff():
    for name, src, args in [
        ("grey_16_lzw.tif", "grey_16_le.tif", ["-c", "lzw"]),
        ("grey_16_lzw2.tif", "grey_16_le.tif", ["-c", "lzw:2"]),
        ("grey_16_lzw2be.tif", "grey_16_be.tif", ["-B", "-c", "lzw:2"]),
        ("grey_16_packbits.tif", "grey_16_le.tif", ["-c", "packbits"]),
        ("grey_16_zip2be.tif", "grey_16_be.tif", ["-B", "-c", "zip:2"]),
        ("grey_16_lzw2tile.tif", "grey_16_le.tif", ["-c", "lzw:2", "-t", "-w", "16", "-l", "16"]),
        ("grey_8_lzw2.tif", "grey_8_le.tif", ["-c", "lzw:2"]),
        ("grey_8_packbits.tif", "grey_8_le.tif", ["-c", "packbits"]),
        ("grey_32_zip2be.tif", "grey_32_be.tif", ["-B", "-c", "zip:2"]),
        ("grey_32_lzw2.tif", "grey_32_be.tif", ["-L", "-c", "lzw:2"]),
        ("rgb_16_lzw2.tif", "rgb_16_le.tif", ["-c", "lzw:2", "-r", "3"]),
        ("rgb_8_zip2.tif", "rgb_8_tile.tif", ["-s", "-c", "zip:2"]),
        ("rgb_8_lzwplanar.tif", "rgb_8_zip2.tif", ["-c", "lzw:2", "-p", "separate"]),
        ("float_32_zip3.tif", "float_32_le.tif", ["-c", "zip:3"]),
        # Not big-endian: on a little-endian machine libtiff 4.5 swaps the bytes
        # before the predictor, which orders them by itself.
        ("float_32_lzw3.tif", "float_32_le.tif", ["-c", "lzw:3"]),
        ("float_64_zip3.tif", "float_64_le.tif", ["-c", "zip:3"]),
    ]:
        run("tiffcp", *args, at(src), at(name))
    # Long enough to fill the table of LZW and begin it anew.
    tif("tall_16_le.tif", pattern(0, W, 500), photometric="minisblack", rowsperstrip=500)
    run("tiffcp", "-c", "lzw", "-r", "500", at("tall_16_le.tif"), at("tall_16_lzw.tif"))
    os.remove(at("tall_16_le.tif"))


def with_pil():
    Image.fromarray(GREY).save(at("grey_16_pil.png"))
    Image.fromarray((GREY >> 8).astype(np.uint8)).save(at("grey_8_pil.png"))
    Image.fromarray((RGB >> 8).astype(np.uint8)).save(at("rgb_8_pil.png"))
    Image.fromarray((RGBA >> 8).astype(np.uint8)).save(at("rgb_8_alpha.png"))
    exif = Image.Exif()
    ifd = {}
    from PIL.TiffImagePlugin import IFDRational
    ifd[0x829A] = IFDRational(5, 2)  # ExposureTime
    ifd[0x829D] = IFDRational(56, 10)  # FNumber
    ifd[0x8827] = 1600  # ISO
    ifd[0x9003] = "2024:03:05 21:07:09"  # DateTimeOriginal
    ifd[0x9011] = "+01:00"  # OffsetTimeOriginal
    ifd[0x9291] = "25"  # SubSecTimeOriginal
    ifd[0x920A] = IFDRational(400, 1)  # FocalLength
    ifd[0xA002] = W  # PixelXDimension
    ifd[0xA20E] = IFDRational(1000000, 376)  # FocalPlaneXResolution
    ifd[0xA210] = 3  # FocalPlaneResolutionUnit, cm
    exif[0x8769] = ifd
    Image.fromarray(GREY).save(at("grey_16_exif.png"), exif=exif)
    Image.fromarray((GREY >> 8).astype(np.uint8)).save(at("grey_8_exif.tif"), exif=Image.open(at("grey_16_exif.png")).getexif())
    Image.fromarray((GREY >> 8).astype(np.uint8)).convert("P").save(at("grey_8_palette.png"))


def with_magick():
    # With 16 bits of colour, interlaced, and a transparent grey.
    for name, src, args in [
        ("rgb_16_im.png", "rgb_16_le.tif", ["-define", "png:bit-depth=16", "-define", "png:color-type=2"]),
        ("rgb_16_interlaced.png", "rgb_16_le.tif", ["-define", "png:bit-depth=16", "-define", "png:color-type=2", "-interlace", "PNG"]),
        ("grey_16_interlaced.png", "grey_16_le.tif", ["-define", "png:bit-depth=16", "-define", "png:color-type=0", "-interlace", "PNG"]),
        ("grey_8_alpha.png", "grey_8_le.tif", ["-define", "png:bit-depth=8", "-define", "png:color-type=4", "-alpha", "on"]),
    ]:
        run("convert", at(src), *args, "-strip", at(name))


def lossless(data, bits, *args):
    """Returns the JPEG stream that dcmtk makes of data."""
    with tempfile.TemporaryDirectory() as tmp:
        raw, dump, dcm, out = (os.path.join(tmp, n) for n in ("p.raw", "p.dump", "p.dcm", "o.dcm"))
        rgb = data.ndim == 3
        alloc = data.dtype.itemsize * 8
        data.astype(data.dtype.newbyteorder("<")).tofile(raw)
        if os.path.getsize(raw) % 2:
            open(raw, "ab").write(b"\0")
        with open(dump, "w") as f:
            f.write(f"""(0008,0016) UI =SecondaryCaptureImageStorage
(0008,0018) UI [1.2.3.4]
(0020,000d) UI [1.2.3.5]
(0020,000e) UI [1.2.3.6]
(0028,0002) US {3 if rgb else 1}
(0028,0004) CS [{"RGB" if rgb else "MONOCHROME2"}]
{"(0028,0006) US 0" if rgb else ""}
(0028,0010) US {data.shape[0]}
(0028,0011) US {data.shape[1]}
(0028,0100) US {alloc}
(0028,0101) US {bits}
(0028,0102) US {bits - 1}
(0028,0103) US 0
(7fe0,0010) {"OW"} ={raw}
""")
        run("dump2dcm", "-q", "+te", dump, dcm)
        run("dcmcjpeg", *args, dcm, out)
        b = open(out, "rb").read()
        # Encapsulated: an empty offset table or one of one entry, then the frame.
        begin = b.rindex(b"\xff\xd8\xff")
        n = struct.unpack("<I", b[begin - 4:begin])[0]
        return b[begin:begin + n].rstrip(b"\0")


def dng(name, stream, bits, w=W, h=H, samples=1, compression=7):
    """Writes the least DNG that holds one strip."""
    entries = []
    tail = b""
    count = 12 + (1 if samples == 1 else 0) + (1 if samples == 1 else 0)
    data = 8 + 2 + 12 * count + 4
    def entry(tag, typ, *v):
        nonlocal tail
        b = struct.pack("<" + {1: "B", 3: "H", 4: "I"}[typ] * len(v), *v)
        if len(b) > 4:
            off = data + len(tail)
            tail += b + b"\0" * (len(b) % 2)
            b = struct.pack("<I", off)
        entries.append(struct.pack("<HHI", tag, typ, len(v)) + b.ljust(4, b"\0"))
    entry(254, 4, 0)
    entry(256, 4, w)
    entry(257, 4, h)
    entry(258, 3, *[bits] * samples)
    entry(259, 3, compression)
    entry(262, 3, 32803 if samples == 1 else 34892)
    strip = len(entries)
    entry(273, 4, 0)
    entry(277, 3, samples)
    entry(278, 4, h)
    entry(279, 4, len(stream))
    if samples == 1:
        entry(33421, 3, 2, 2)
        entry(33422, 1, 0, 1, 1, 2)
    entry(50706, 1, 1, 4, 0, 0)
    entry(50717, 4, (1 << bits) - 1)
    assert len(entries) == count
    entries[strip] = struct.pack("<HHII", 273, 4, 1, data + len(tail))
    with open(at(name), "wb") as f:
        f.write(b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", count) + b"".join(entries) + b"\0\0\0\0" + tail + stream)


def with_dcmtk():
    for p in range(1, 8):
        dng(f"cfa_16_p{p}.dng", lossless(GREY, 16, "+el", "+sv", str(p)), 16)
    dng("cfa_12_p1.dng", lossless(GREY >> 4, 12, "+e1"), 12)
    dng("cfa_8_p6.dng", lossless((GREY >> 8).astype(np.uint8), 8, "+el", "+sv", "6"), 8)
    dng("linear_8_p4.dng", lossless((RGB >> 8).astype(np.uint8), 8, "+el", "+sv", "4"), 8, samples=3)
    # Two columns of the mosaic side by side in a pixel would be two components;
    # a picture twice as wide and half as high is the same stream of samples.
    flat = pattern(0, 24, 16)
    dng("reflow_16_p7.dng", lossless(flat.reshape(8, 48), 16, "+el", "+sv", "7"), 16, w=24, h=16)
    dng("lossy_8.dng", lossless((GREY >> 8).astype(np.uint8), 8, "+eb"), 8)


with_tifffile()
with_libtiff()
with_pil()
with_magick()
with_dcmtk()
