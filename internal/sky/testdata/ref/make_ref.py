#!/usr/bin/python3
"""Reference places and times for package sky, computed with astropy and ERFA.

    /usr/bin/python3 internal/sky/testdata/ref/make_ref.py          write the tables beside this file
    /usr/bin/python3 internal/sky/testdata/ref/make_ref.py --check  recompute, compare with the tables, exit 1 on a difference
    ... [--check] star body                                         only the named tables (site, star, body, event)

Needs Debian's python3-astropy, python3-erfa and python3-numpy; goes nowhere near
the network. UT1 = UTC and polar motion zero throughout. Every draw comes from
a fixed seed, so two runs print and write the same.
"""
import csv, os, sys, warnings
import numpy as np

warnings.filterwarnings("ignore")
from astropy.utils import iers

iers.conf.auto_download = False
iers.conf.auto_max_age = None


class NoOrientation(iers.IERS):
    """UT1 = UTC, no polar motion, any date."""

    def ut1_utc(self, jd1, jd2=0.0, return_status=False):
        z = np.zeros(np.shape(getattr(jd1, "jd1", jd1))) * u.s
        return (z, np.zeros(z.shape, int)) if return_status else z

    def pm_xy(self, jd1, jd2=0.0, return_status=False):
        z = np.zeros(np.shape(getattr(jd1, "jd1", jd1))) * u.arcsec
        return (z, z, np.zeros(z.shape, int)) if return_status else (z, z)


from astropy import units as u
import astropy, erfa
from astropy.time import Time, TimeDelta
from astropy.constants import c as c0
from astropy.coordinates import EarthLocation, SkyCoord, AltAz, get_body_barycentric, get_body_barycentric_posvel

iers.earth_orientation_table.set(NoOrientation())

HERE = os.path.dirname(os.path.abspath(__file__))

# name, latitude, longitude (east), height m, pressure hPa, temperature C, humidity, wavelength um
SITES = [
    ("equator", 0.2, -78.5, 2850, 720.0, 12.0, 0.6, 0.55),
    ("north35", 35.3, 138.7, 1400, 855.0, 5.0, 0.5, 0.55),
    ("north50", 50.1, 8.7, 150, 992.0, 10.0, 0.7, 0.60),
    ("north65", 65.0, -147.6, 200, 985.0, -20.0, 0.7, 0.55),
    ("north70", 69.65, 18.96, 10, 1009.0, -5.0, 0.8, 0.65),
    ("north78", 78.22, 15.65, 20, 1007.0, -12.0, 0.7, 0.55),
    ("south34", -33.9, 18.5, 300, 975.0, 18.0, 0.5, 0.50),
    ("south46", -45.9, 170.5, 50, 1004.0, 8.0, 0.8, 0.70),
    ("south78", -77.8, 166.7, 30, 980.0, -30.0, 0.5, 0.55),
]
BODIES = ["sun", "moon", "mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune"]


def place(s):
    return EarthLocation.from_geodetic(s[2] * u.deg, s[1] * u.deg, s[3] * u.m)


def vacuum(t, loc):
    return AltAz(obstime=t, location=loc, pressure=0 * u.hPa)


def air(t, loc, s):
    return AltAz(obstime=t, location=loc, pressure=s[4] * u.hPa, temperature=s[5] * u.deg_C,
                 relative_humidity=s[6], obswl=s[7] * u.micron)


def moments(rng, n):
    """n UTC instants to the millisecond between 2020 and 2036."""
    ms = rng.randint(0, 16 * 365 * 86400, n).astype(np.int64) * 1000 + rng.randint(0, 1000, n)
    return [np.datetime64("2020-01-01T00:00:00.000") + np.timedelta64(int(m), "ms") for m in ms]


def stars():
    """Altitude and azimuth of random directions above 8 degrees."""
    rng = np.random.RandomState(20200101)
    rows = []
    for s in SITES:
        loc = place(s)
        for t in moments(rng, 45):
            tt = Time(str(t), scale="utc")
            while True:
                ra, dec = rng.uniform(0, 360), np.degrees(np.arcsin(rng.uniform(-1, 1)))
                ra, dec = round(ra, 6), round(dec, 6)
                c = SkyCoord(ra * u.deg, dec * u.deg)
                v = c.transform_to(vacuum(tt, loc))
                if v.alt.deg > 8:
                    break
            o = c.transform_to(air(tt, loc, s))
            rows.append([s[0], str(t) + "Z", ra, dec] + ["%.9f" % x for x in (v.alt.deg, v.az.deg, o.alt.deg, o.az.deg)])
    return ["site", "utc", "ra_deg", "dec_deg", "true_alt_deg", "true_az_deg", "observed_alt_deg", "observed_az_deg"], rows


def seen(name, t, loc):
    """Where a body was when its light left, from the barycentre, and the observer now (au, ICRS)."""
    earth, _ = get_body_barycentric_posvel("earth", t, ephemeris="builtin")
    here = (earth + loc.get_gcrs_posvel(t)[0]).xyz.to_value(u.au)
    lag = np.zeros(np.shape(t.jd1)) * u.day
    for _ in range(4):
        there = get_body_barycentric(name, t - lag, ephemeris="builtin").xyz.to_value(u.au)
        lag = np.linalg.norm(there - here, axis=0) * u.au / c0
    return there, here


def topocentric(name, t, loc):
    """Altitude, azimuth (no refraction) and the vectors of seen."""
    there, here = seen(name, t, loc)
    c = SkyCoord(*(there * u.au), frame="icrs", representation_type="cartesian")
    if name == "sun":
        # Given a distance, astropy bends the Sun's light by the direction from the Sun to the Sun, which
        # is rounding noise (0.7 arcsec); a bare direction is hardly bent there.
        d = there - here
        c = SkyCoord(np.arctan2(d[1], d[0]) * u.rad, np.arctan2(d[2], np.hypot(d[0], d[1])) * u.rad)
    p = c.transform_to(vacuum(t, loc))
    return p.alt.deg, p.az.deg, there, here


def bodies():
    """Topocentric places of the Sun, the Moon and the planets, without refraction."""
    rng = np.random.RandomState(20200102)
    rows = []
    for s in SITES:
        loc = place(s)
        for t in moments(rng, 6):
            tt = Time(str(t), scale="utc")
            sun, _ = seen("sun", tt, loc)
            for b in BODIES:
                alt, az, there, here = topocentric(b, tt, loc)
                d, q = there - here, sun - here
                phase = 0.0 if b == "sun" else np.degrees(np.arctan2(np.linalg.norm(np.cross(d, d - q)), d @ (d - q)))
                elong = 0.0 if b == "sun" else np.degrees(np.arctan2(np.linalg.norm(np.cross(d, q)), d @ q))
                rows.append([s[0], str(t) + "Z", b] + ["%.9f" % x for x in (alt, az)]
                            + ["%.3f" % (np.linalg.norm(d) * u.au).to_value(u.km), "%.6f" % phase, "%.6f" % elong])
    return ["site", "utc", "body", "true_alt_deg", "true_az_deg", "distance_km", "phase_deg", "elongation_deg"], rows


def crossings(f, start, hours=24.0, step=1 / 12.0):
    """Times (hours after start) where f crosses zero, by a scan and vectorised bisection."""
    h = np.arange(0, hours + step / 2, step)
    y = f(h)
    # a maximum below zero or a minimum above it may hide two crossings: look closer
    mid = [i for i in range(1, len(h) - 1)
           if (y[i] >= y[i - 1] and y[i] >= y[i + 1] and -0.5 < y[i] < 0) or (y[i] <= y[i - 1] and y[i] <= y[i + 1] and 0 <= y[i] < 0.5)]
    extra = [np.linspace(h[i - 1], h[i + 1], 101)[1:-1] for i in mid]
    if extra:
        e = np.concatenate(extra)
        h, y = np.concatenate([h, e]), np.concatenate([y, f(e)])
        o = np.argsort(h, kind="stable")
        h, y = h[o], y[o]
    k = np.nonzero((y[:-1] < 0) != (y[1:] < 0))[0]
    if len(k) == 0:
        return []
    a, b, up = h[k], h[k + 1], y[k] < 0
    for _ in range(18):
        m = (a + b) / 2
        low = f(m) < 0
        left = low == up
        a, b = np.where(left, m, a), np.where(left, b, m)
    return list(zip((a + b) / 2, up))


def events():
    """Rise, set and twilight of the Sun, the Moon and three stars, noon to noon of local mean time."""
    days = ["2021-03-20", "2022-06-21", "2024-10-03", "2025-12-21", "2027-02-10", "2030-05-01"]
    fixed = [(83.633, 22.0145), (279.2347, -38.7837), (10.6847, 41.2688)]
    rows = []
    for s in SITES:
        loc = place(s)
        for day in days:
            start = Time(day + "T12:00:00", scale="utc") - TimeDelta(s[2] / 15 * 3600, format="sec")

            def at(h):
                return start + TimeDelta(np.asarray(h) * 3600, format="sec")

            def add(what, limit, found):
                rows.append([s[0], day, what, limit, "count", len(found)])
                for h, up in found:
                    rows.append([s[0], day, what, limit, "rise" if up else "set", "%.3f" % (h * 3600)])

            cache = {}

            def sun(h):
                key = h.tobytes()
                if key not in cache:
                    t = at(h)
                    cache[key] = topocentric("sun", t, loc)[0]
                return cache[key]

            for limit in (-0.833, -6, -12, -18):
                add("sun", limit, crossings(lambda h: sun(h) - limit, start))

            def moon(h):
                t = at(h)
                alt, _, there, here = topocentric("moon", t, loc)
                km = (np.linalg.norm(there - here, axis=0) * u.au).to_value(u.km)
                return alt + np.degrees(np.arcsin(1737.4 / km)) + 34 / 60
            add("moon", "limb", crossings(moon, start))
            for i, (ra, dec) in enumerate(fixed):
                c = SkyCoord(ra * u.deg, dec * u.deg)
                add("star%d" % i, 20, crossings(lambda h: c.transform_to(air(at(h), loc, s)).alt.deg - 20, start))
    return ["site", "evening", "what", "limit_deg", "kind", "value"], rows


def sites():
    return ["site", "lat_deg", "lon_deg", "height_m", "pressure_hpa", "temp_c", "humidity", "wavelength_um"], [list(s) for s in SITES]


TABLES = {"site": sites, "star": stars, "body": bodies, "event": events}


def same(a, b):
    """Whether two cells agree: text exactly, numbers to 0.02 (s, km) or 1e-7 of themselves."""
    if a == b:
        return True
    try:
        x, y = float(a), float(b)
    except ValueError:
        return False
    return abs(x - y) <= max(1e-7 * abs(x), 1e-7) or (abs(x) > 400 and abs(x - y) <= 0.02)


def main():
    check = "--check" in sys.argv[1:]
    print("astropy", astropy.__version__, "erfa", erfa.__version__, "numpy", np.__version__)
    bad = 0
    wanted = [a for a in sys.argv[1:] if a != "--check"] or list(TABLES)
    for name in wanted:
        make = TABLES[name]
        head, rows = make()
        path = os.path.join(HERE, name + ".csv")
        if check:
            with open(path) as f:
                old = list(csv.reader(f))
            new = [head] + [[str(c) for c in r] for r in rows]
            diff = abs(len(old) - len(new)) + sum(
                len(p) != len(q) or not all(same(x, y) for x, y in zip(p, q)) for p, q in zip(old, new))
            bad += diff
            print("%s: %d rows, %d differ" % (name, len(rows), diff))
        else:
            with open(path, "w", newline="") as f:
                w = csv.writer(f, lineterminator="\n")
                w.writerow(head)
                w.writerows(rows)
            print("%s: %d rows written" % (name, len(rows)))
    sys.exit(1 if bad else 0)


main()
