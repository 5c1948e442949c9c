#!/usr/bin/python3
"""Compares holdfast with other programs that find and measure stars.

    python3 compare.py HOLDFAST DIRECTORY [REPEATS]

Times whole commands (start, reading, finding, measuring, writing) on the frames
that frames.py drew in DIRECTORY, one after the other in turns, so that what
else the machine does hits all alike, and says how well each measures. Programs
that are not installed are named and left out. Ends with how many times as fast
as the fastest other program holdfast is, and fails if that is less than 6, if
holdfast takes more than 100 MB, or if a claim of docs/measure.md about these
frames is broken.

time      least and median wall time of the repeats, least time on processors,
          in seconds; ratio of the least wall times to that of holdfast
memory    largest resident set, in megabytes
found     stars reported
false     reported where no star is within 2 px
complete  of the stars above 4,000 electrons alone within 15 px, those found
error     rms on one axis of such stars' positions, in pixels: of those above
          2,800 electrons, above 4,000 and above 20,000
width     median of the last's, in pixels, by each program's own definition

Holdfast stands there twice: as a person calls it, which prints a summary and
the brightest stars, and with --json, which writes all that is known of every
star, some 700 bytes each.
"""
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time

# numpy and scipy are imported when all is run: the memory of a process counts
# as that of the children it starts.

FRAMES = "field24", "field61"
LEAST_RATIO, MOST_MB = 6, 100
HERE = os.path.dirname(os.path.abspath(__file__))
COLUMNS = "XWIN_IMAGE\nYWIN_IMAGE\nFLUX_RADIUS\n"
KERNEL = "CONV NORM\n1 2 1\n2 4 2\n1 2 1\n"
SETTINGS = {
    "CATALOG_TYPE": "ASCII", "DETECT_THRESH": "5", "ANALYSIS_THRESH": "5", "DETECT_MINAREA": "5", "FILTER": "Y",
    "BACK_SIZE": "64", "BACK_FILTERSIZE": "3", "GAIN": "1", "SATUR_LEVEL": "65000", "PIXEL_SCALE": "1",
    "MEMORY_PIXSTACK": "1000000", "NTHREADS": "1", "VERBOSE_TYPE": "QUIET",
}


def read_json(path):
    import numpy as np

    with open(path) as f:
        stars = json.load(f)["result"]["frames"][0]["stars"]
    number = lambda v: np.nan if v is None else v
    return np.array([[s["x"], s["y"], np.sqrt(number(s["fwhm_major_px"]) * number(s["fwhm_minor_px"]))] for s in stars])


def read_csv(path):
    import numpy as np

    return np.loadtxt(path, delimiter=",", ndmin=2)


def read_truth(path):
    import numpy as np

    return np.loadtxt(path, delimiter=",", skiprows=1)


def read_columns(path):
    import numpy as np

    x, y, radius = np.loadtxt(path, ndmin=2).T
    return np.column_stack([x - 1, y - 1, 2 * radius])


def programs(holdfast, scratch):
    """Yields name, command (frame and output to be put in), whether the output
    is what the program prints, and the reader of it."""
    yield "holdfast", [holdfast, "measure", "{frame}"], True, None
    yield "holdfast --json", [holdfast, "measure", "{frame}", "--json"], True, read_json
    if shutil.which("source-extractor"):
        for name, text in ("columns", COLUMNS), ("kernel", KERNEL):
            with open(os.path.join(scratch, name), "w") as f:
                f.write(text)
        command = ["source-extractor", "{frame}", "-c", "/dev/null", "-CATALOG_NAME", "{out}", "-PARAMETERS_NAME", os.path.join(scratch, "columns"), "-FILTER_NAME", os.path.join(scratch, "kernel")]
        yield "source-extractor", command + [w for k, v in SETTINGS.items() for w in ("-" + k, v)], False, read_columns
    else:
        print("source-extractor is not installed: left out")
    for name in "sep", "photutils":
        if importlib.util.find_spec(name) is None:
            print(name, "is not installed: left out")
            continue
        yield name, [sys.executable, os.path.join(HERE, "with_%s.py" % name), "{frame}", "{out}"], False, read_csv


def run(command, frame, out, prints):
    """Runs a command and returns its wall time, its processor time and its memory."""
    command = [w.format(frame=frame, out=out) for w in command]
    with open(out if prints else os.devnull, "w") as f:
        began = time.perf_counter()
        child = subprocess.Popen(command, stdout=f)
        _, status, used = os.wait4(child.pid, 0)
        took = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit("%s: exit status %d" % (" ".join(command), child.returncode))
    return took, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def judge(truth, found):
    """Returns what the table says of the stars found."""
    import numpy as np
    from scipy.spatial import cKDTree

    tree = cKDTree(found[:, :2])
    away, which = tree.query(truth[:, :2], distance_upper_bound=2)
    hit = np.isfinite(away)
    alone = cKDTree(truth[:, :2]).query(truth[:, :2], k=2)[0][:, 1] > 15
    false = np.sum(cKDTree(truth[:, :2]).query(found[:, :2])[0] > 2)
    light = truth[:, 2]

    def error(which_stars):
        d = found[which[which_stars], :2] - truth[which_stars, :2]
        return np.sqrt(np.mean(d**2))

    good, bright = hit & alone, hit & alone & (light > 20000)
    return len(found), false, np.mean(hit[alone & (light > 4000)]), error(good & (light > 2800)), error(good & (light > 4000)), error(bright), np.nanmedian(found[which[bright], 2])


def broken(got):
    """Yields the claims about holdfast that what judge says of it breaks."""
    _, false, complete, _, clear, bright, width = got
    if false:
        yield "%d stars reported where none is" % false
    if complete <= 0.995:
        yield "%.4f of the stars above 4,000 electrons found, want more than 0.995" % complete
    if clear > 0.0285 or bright > 0.0086:
        yield "places off by %.4f and %.4f px, want at most 0.0285 and 0.0086" % (clear, bright)
    if abs(width / 3.077 - 1) > 0.01:
        yield "FWHM %.3f px, want 3.077 within 1 %%" % width


def main(holdfast, directory, repeats=10):
    wrong = []
    with tempfile.TemporaryDirectory() as scratch:
        todo = list(programs(os.path.abspath(holdfast), scratch))
        took = {(frame, name): [] for frame in FRAMES for name, *_ in todo}
        for frame in FRAMES:
            for turn in range(repeats):
                for name, command, prints, _ in todo:
                    if name == "photutils" and turn >= 2:
                        continue  # half a minute each
                    out = os.path.join(scratch, frame + name)
                    took[frame, name].append(run(command, os.path.join(directory, frame + ".fits"), out, prints))
        for frame in FRAMES:
            truth = read_truth(os.path.join(directory, frame + "_truth.csv"))
            print("\n%s: %d stars, %d turns" % (frame, len(truth), repeats))
            print("%-17s %7s %7s %7s %7s %5s %7s %6s %9s %7s %7s %7s %7s" % ("", "least s", "med. s", "proc. s", "ratio", "MB", "found", "false", "complete", ">2800", ">4000", ">20000", "width"))
            least = {}
            for name, _, _, read in todo:
                wall, processor, memory = map(sorted, zip(*took[frame, name]))
                least[name] = wall[0]
                line = "%-17s %7.3f %7.3f %7.3f %7.1f %5.0f" % (name, wall[0], wall[len(wall) // 2], processor[0], wall[0] / least["holdfast"], memory[-1])
                if read:
                    got = judge(truth, read(os.path.join(scratch, frame + name)))
                    line += " %7d %6d %9.4f %7.4f %7.4f %7.4f %7.3f" % got
                    if name == "holdfast --json":
                        wrong += ["%s: %s" % (frame, text) for text in broken(got)]
                print(line)
                if name.startswith("holdfast") and memory[-1] > MOST_MB:
                    wrong.append("%s: %s took %.0f MB, want at most %d" % (frame, name, memory[-1], MOST_MB))
            others = {name: t for name, t in least.items() if not name.startswith("holdfast")}
            if not others:
                wrong.append("%s: nothing to compare with is installed" % frame)
                continue
            best = min(others, key=others.get)
            ratio = others[best] / least["holdfast"]
            print("holdfast is %.1f times as fast as %s, %.1f times with --json" % (ratio, best, others[best] / least["holdfast --json"]))
            if ratio < LEAST_RATIO:
                wrong.append("%s: %.1f times as fast as %s, want %d" % (frame, ratio, best, LEAST_RATIO))
    for text in wrong:
        print("compare.py:", text)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3], *map(int, sys.argv[3:4])))
