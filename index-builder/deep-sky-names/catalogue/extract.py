"""Makes objects.tsv, the table of deep-sky objects, from OpenNGC.

    pip install --no-deps --target opengc pyongc==1.2.2
    python extract.py opengc/pyongc/ongc.db

Which lines are taken, and what is changed, is said in README.md beside this file.
"""

import math
import re
import sqlite3
import sys
from pathlib import Path

# Types as OpenNGC has them, and our words for them.
KINDS = {
    "*": "star",
    "**": "double star",
    "*Ass": "group of stars",
    "OCl": "open cluster",
    "GCl": "globular cluster",
    "Cl+N": "cluster with nebula",
    "G": "galaxy",
    "GPair": "pair of galaxies",
    "GTrpl": "triplet of galaxies",
    "GGroup": "group of galaxies",
    "PN": "planetary nebula",
    "HII": "emission nebula",
    "EmN": "emission nebula",
    "RfN": "reflection nebula",
    "DrkN": "dark nebula",
    "Neb": "nebula",
    "SNR": "supernova remnant",
    "Nova": "star",
    "Other": "other",
}

# Designations beside NGC and IC that observers use.
CATALOGUES = ("C", "LBN", "UGC", "Mel", "Cl", "SH")
# Order of preference: the first name is the label.
PREFERENCE = ("M", "NGC", "IC", "C", "Sh2", "Mel", "Cr", "B", "LBN", "UGC")

# Popular names that stand at the wrong object: the Flame Nebula is east of zeta Orionis, the Cocoon
# Galaxy a bright one in Canes Venatici. From memory.
MOVED = {"Flame Nebula": ("IC0434", "NGC2024"), "Cocoon Galaxy": ("NGC4990", "NGC4490")}
DROPPED = {"Orion B"}
# Popular names in common use that the source lacks; from memory.
ADDED = {
    "IC0342": "Hidden Galaxy",
    "IC0443": "Jellyfish Nebula",
    "IC1396": "Elephant's Trunk Nebula",
    "IC1805": "Heart Nebula",
    "IC1848": "Soul Nebula",
    "NGC0281": "Pacman Nebula",
    "NGC0628": "Phantom Galaxy",
    "NGC0891": "Silver Sliver Galaxy",
    "NGC2359": "Thor's Helmet",
    "NGC2237": "Rosette Nebula",
    "NGC3628": "Hamburger Galaxy",
    "NGC4656": "Hockey Stick Galaxy",
    "NGC5457": "Pinwheel Galaxy",
    "NGC6334": "Cat's Paw Nebula",
    "NGC7380": "Wizard Nebula",
    "NGC7789": "Caroline's Rose",
}


def designation(raw):
    """`NGC0224` becomes `NGC 224`, `SH 2-155` `Sh2-155`, `ESO056-115` `ESO 56-115`."""
    raw = raw.strip()
    if sharpless := re.fullmatch(r"SH 2-0*(\d+)", raw):
        return f"Sh2-{sharpless[1]}"
    parts = re.fullmatch(r"([A-Za-z]+) ?0*(\d.*)", raw)
    if not parts:
        return raw
    catalogue = {"Cl": "Cr"}.get(parts[1], parts[1])
    return f"{catalogue} {parts[2]}"


def rank(name):
    catalogue = re.match(r"[A-Za-z]+2?", name)[0]
    return PREFERENCE.index(catalogue) if catalogue in PREFERENCE else len(PREFERENCE)


def number(value, digits):
    return "" if value is None else f"{value:.{digits}f}".rstrip("0").rstrip(".")


def main(database):
    connection = sqlite3.connect(database)
    connection.row_factory = sqlite3.Row
    rows = {row["name"]: row for row in connection.execute("SELECT * FROM objects")}
    names = {name: {designation(name)} for name in rows}
    popular = {name: [] for name in rows}
    for name, row in rows.items():
        cross = [("M", row["messier"]), ("NGC", row["ngc"]), ("IC", row["ic"])]
        pairs = [(c, n) for c, field in cross for n in (field or "").split(",") if n]
        if row["type"] == "Dup":
            messier = {r["messier"]: r["name"] for r in rows.values() if r["type"] != "Dup"}
            targets = [messier.get(n) if c == "M" else c + n for c, n in pairs]
            real = [t for t in targets if t in rows and rows[t]["type"] != "Dup"]
            names[real[0]].add(designation(name))
            continue
        names[name] |= {designation(c + n) for c, n in pairs}
        for other in (row["identifiers"] or "").split(","):
            # No parts of an entry: `UGC 02688 NOTES01`.
            if re.fullmatch(r"([A-Za-z]+) [\d-]+[A-Z]?", other.strip()) and other.split()[0] in CATALOGUES:
                names[name].add(designation(other))
        for word in (row["commonnames"] or "").split(","):
            word = re.sub(r"^the ", "", word.strip())
            if word and word not in DROPPED:
                popular[MOVED[word][1] if word in MOVED else name].append(word)
    for name, word in ADDED.items():
        if word not in popular[name]:
            popular[name].append(word)
    lines = []
    for name, row in rows.items():
        if row["type"] in ("Dup", "NonEx") or row["ra"] is None:
            continue
        ordered = sorted(names[name], key=lambda n: (rank(n), len(n), n))
        magnitude = row["vmag"] if row["vmag"] is not None else row["bmag"]
        angle = row["pa"] % 180 if row["pa"] is not None and row["minax"] else None
        lines.append("\t".join([
            f"{math.degrees(row['ra']):.4f}",
            f"{math.degrees(row['dec']):+.4f}",
            KINDS[row["type"]],
            number(row["majax"], 2),
            number(row["minax"], 2),
            "" if angle is None else str(angle),
            number(magnitude, 1),
            ";".join(ordered),
            ";".join(popular[name]),
        ]))
    # By declination, so that what lies near a position is one stretch of the file.
    place = lambda line: (float(line.split("\t")[1]), float(line.split("\t")[0]), line)
    text = "\n".join(sorted(lines, key=place)) + "\n"
    Path(__file__).with_name("objects.tsv").write_text(text, encoding="utf-8", newline="\n")
    print(f"{len(lines)} objects, {len(text)} bytes")


main(sys.argv[1])
