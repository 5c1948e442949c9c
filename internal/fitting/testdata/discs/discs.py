#!/usr/bin/python3
"""Draws frames of stars out of focus from the wave front, for TestWaves.

    python3 discs.py            # writes *.fits.gz and discs.csv beside itself
    python3 discs.py --check    # recomputes and compares with the committed ones

numpy 1.24. A pupil with a central obstruction and the phase of a given defocus is
transformed to the focal plane (Goodman, Introduction to Fourier Optics), at three
wavelengths: diffraction rings and the bright rims of a disc are there. The air is
Moffat's profile with beta 3.5, the pixel a sum over the finer grid. Nothing is
shared with the code under test but the definition of the defocus: the distance
between sensor and focus.

discs.csv: file, defocus (mm), f-number, obstruction, pixel (um), number of stars,
diameter of the pupil's geometric image (px).

run_1 to run_7 are a run of the focuser of an f/4 through focus: 0.5 mm a turn,
focus at 10.03 turns, where it stands under FOCPOS.
"""
import csv
import gzip
import os
import sys

import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
# name, disc px, obstruction, f-number, pixel um, FWHM of the air px, width, height, stars
FRAMES = [
    ("f4_near", 8.0, 0.35, 4.0, 3.75, 2.4, 240, 180, 6),
    ("f3_guide", 20.0, 0.0, 3.0, 3.75, 2.2, 320, 240, 5),
    ("f11_ring", 24.0, 0.4, 11.0, 9.0, 2.6, 320, 240, 5),
    ("f7_far", 60.0, 0.3, 7.0, 3.76, 3.0, 400, 300, 4),
    ("f5_lost", 200.0, 0.2, 5.0, 3.75, 3.5, 640, 480, 2),
]
BEST, PITCH, TURNS = 10.03, 0.5, [9.4, 9.6, 9.8, 10.0, 10.2, 10.4, 10.6]
for i, at in enumerate(TURNS):
    px = abs(at - BEST) * PITCH * 1000 / 4.0 / 3.75
    FRAMES.append((f"run_{i + 1}", px, 0.0, 4.0, 3.75, 2.4, 200, 150, 4))


def spot(disc, hole, n, pixel, fwhm, GRID):
    """Returns the light of a star on a grid, and how many samples a pixel has."""
    defocus = disc * pixel * n  # um
    fine = max(4, int(np.ceil(pixel / (0.45 * n / 2.2))))  # samples a pixel
    step = pixel / fine
    while GRID * step < 1.7 * (disc * pixel) + 12 * fwhm * pixel and fine > 4:
        fine -= 1
        step = pixel / fine
    k = np.fft.fftfreq(GRID)
    total = np.zeros((GRID, GRID))
    for wave in (0.48, 0.55, 0.62):
        # The pupil's diameter in samples makes the focal sampling `step`.
        across = GRID * step / (wave * n)
        x = (np.arange(GRID) - GRID / 2 + 0.5) / (across / 2)
        rr = x[:, None] ** 2 + x[None, :] ** 2
        assert across < 0.98 * GRID, (disc, across)
        # An edge a sample soft, so that the pupil is round.
        r = np.sqrt(rr)
        soft = lambda edge: np.clip((edge - r) * across / 2 + 0.5, 0, 1)
        stop = soft(1.0) - (soft(hole) if hole > 0 else 0.0)
        waves = defocus / (8 * n * n * wave)
        steepest = 2 * waves * 2 / across  # cycles a sample at the edge
        assert steepest < 0.5, (disc, steepest)
        field = stop * np.exp(2j * np.pi * waves * rr)
        total += np.abs(np.fft.fftshift(np.fft.fft2(field))) ** 2
    total /= total.sum()
    alpha = fwhm * fine / 2 / np.sqrt(2 ** (1 / 3.5) - 1)
    y = np.arange(GRID) - GRID // 2
    air = (1 + (y[:, None] ** 2 + y[None, :] ** 2) / alpha**2) ** -3.5
    air /= air.sum()
    both = np.fft.irfft2(np.fft.rfft2(total) * np.fft.rfft2(np.fft.ifftshift(air)), s=(GRID, GRID))
    return both, fine


def draw(k, name, disc, hole, n, pixel, fwhm, width, height, stars):
    """Returns the frame."""
    run = name.startswith("run")
    GRID = 1024 if run else 2048
    light, fine = spot(disc, hole, n, pixel, fwhm, GRID)
    rng = np.random.RandomState(105 if run else 100 + k)
    out = np.zeros((height, width))
    side = GRID // fine - 2
    edge = (20 if run else disc) / 2 + 2 * fwhm + 6
    places = []
    while len(places) < stars:
        x, y = edge + (width - 2 * edge) * rng.uniform(), edge + (height - 2 * edge) * rng.uniform()
        if all(np.hypot(x - a, y - b) > (32 if run else 1.25 * disc + 6 * fwhm) or disc > 100 for a, b in places):
            places.append((x, y))
    area = np.pi / 4 * (disc**2 * (1 - hole**2) + 2 * fwhm**2)
    for i, (x, y) in enumerate(places):
        sx, sy = rng.randint(fine, size=2)
        small = light[sy:sy + side * fine, sx:sx + side * fine].reshape(side, fine, side, fine).sum(axis=(1, 3))
        small *= (20000 if run else area * (300.0 if disc < 30 else 60.0)) * (1.0 if i == 0 else rng.uniform(0.3, 1.0))
        for j in range(side):
            row = int(y) + j - side // 2
            if 0 <= row < height:
                x0 = int(x) - side // 2
                a, b = max(0, x0), min(width, x0 + side)
                out[row, a:b] += small[j, a - x0:b - x0]
    if run:
        rng = np.random.RandomState(200 + k)
    out += 40.0
    out += np.sqrt(out + 9.0) * rng.normal(size=out.shape)
    return np.clip(np.rint(out + 100.0), 0, 65535).astype(np.uint16), disc * pixel * n / 1000


def fits(pixels, n, pixel, more):
    """Returns a FITS file of 16 bits."""
    h, w = pixels.shape
    cards = [("SIMPLE", "T"), ("BITPIX", "16"), ("NAXIS", "2"), ("NAXIS1", str(w)), ("NAXIS2", str(h)), ("BZERO", "32768"), ("BSCALE", "1"),
             ("XPIXSZ", repr(pixel)), ("FOCALLEN", repr(100.0 * n)), ("APTDIA", "100.0")] + more
    head = "".join(f"{k:<8}= {v:>20}".ljust(80) for k, v in cards) + "END".ljust(80)
    data = (pixels.astype(np.int32) - 32768).astype(">i2").tobytes()
    return head.ljust(-(-len(head) // 2880) * 2880).encode() + data + b"\0" * (-len(data) % 2880)


def main():
    check = "--check" in sys.argv
    rows, bad = [["file", "defocus_mm", "f_number", "obstruction", "pixel_um", "stars", "disc_px"]], []
    for k, (name, disc, hole, n, pixel, fwhm, width, height, stars) in enumerate(FRAMES):
        pixels, defocus = draw(k, name, disc, hole, n, pixel, fwhm, width, height, stars)
        more = []
        if name.startswith("run"):
            i = int(name[4:]) - 1
            more = [("FOCPOS", repr(TURNS[i])), ("DATE-OBS", f"'2026-01-10T20:0{i}:00'")]
        else:
            rows.append([name + ".fits.gz", f"{defocus:.6g}", f"{n:g}", f"{hole:g}", f"{pixel:g}", str(stars), f"{disc:g}"])
        path = os.path.join(HERE, name + ".fits.gz")
        made = fits(pixels, n, pixel, more)
        if not check:
            with open(path, "wb") as f:
                f.write(gzip.compress(made, 9, mtime=0))
            continue
        with gzip.open(path) as f:
            kept = f.read()
        # Another library's transform may round a pixel the other way.
        a, b = (np.frombuffer(v[2880:], ">i2").astype(int) for v in (made, kept))
        if made[:2880] != kept[:2880] or a.size != b.size or np.abs(a - b).max() > 1 or (a != b).mean() > 1e-3:
            bad.append(name)
    table = os.path.join(HERE, "discs.csv")
    if check:
        with open(table, newline="") as f:
            if list(csv.reader(f)) != rows:
                bad.append("discs.csv")
        if bad:
            sys.exit("discs.py: not as committed: " + ", ".join(bad))
        print(f"discs.py: {len(FRAMES)} frames as committed")
        return
    with open(table, "w", newline="") as f:
        csv.writer(f, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    main()
