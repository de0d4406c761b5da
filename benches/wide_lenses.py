#!/usr/bin/env python3
"""Measures the program on wide lenses and fisheyes: painted frames of real stars.

    python benches/wide_lenses.py --frames FOLDER [--numbers 0..60] [--program PATH]... [--list]

Needs numpy, astropy and Pillow. Each frame is drawn from its number, once, and stays in the folder: where
it points, the lens (TAN to 105 deg along the longer side; ARC, STG or ZEA of 80 to 180 deg along the
longer side, or as a circle of 180 deg within the shorter one), how far it departs from that law
(a few per cent at the edge), where its axis meets the frame, how many stars show, their width, a
landscape in front of them, a bright dome of light over it, a tone curve, and PNG or JPEG. Directions
become pixels by astropy.wcs (WCSLIB) alone. Half of the frames name their focal length in EXIF, some
wrongly.

Wrong: what the found WCS, read by astropy, says of the centre is off by more than 5 px, or the
stars that were painted in the inner half are off by more than 8 px at the median. `covered` is the
share of frames whose centre lies within the stated radius, and `edge` the median error in the outer
half of what matched.
"""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
from astropy.wcs import WCS
from PIL import Image

from brightness_order import wcs_of
from galsim_sky import Sky, unit

PROJECT = Path(__file__).resolve().parent.parent
CATALOGUE = PROJECT / "index-builder/catalogue/bright-stars.nfcat"
LAWS = ["TAN", "ARC", "STG", "ZEA"]
RADIUS = {
    "TAN": np.tan, "ARC": lambda t: t, "STG": lambda t: 2 * np.tan(t / 2), "ZEA": lambda t: 2 * np.sin(t / 2),
}
EPOCH = 2020.0
CENTRE_PX, STARS_PX = 5.0, 8.0


def lens(rng, width, height):
    """Law, half of the angle that fills half the longer side (rad), focal length in pixels."""
    law = str(rng.choice(LAWS, p=[0.25, 0.25, 0.2, 0.3]))
    if law == "TAN":
        half = np.radians(rng.uniform(62, 105) / 2)
        return law, half, width / 2 / np.tan(half)
    if rng.random() < 0.25:
        return law, np.pi / 2, height / 2 / RADIUS[law](np.pi / 2)
    half = np.radians(rng.uniform(80, 180) / 2)
    return law, half, width / 2 / RADIUS[law](half)


def painted(number, sky, folder):
    """Paints a frame; its truth."""
    rng = np.random.default_rng([7, number])
    width = int(rng.integers(900, 2400))
    height = int(width * rng.choice([2 / 3, 3 / 4, 1.0]))
    law, half, focal = lens(rng, width, height)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = [f"RA---{law}", f"DEC--{law}"]
    wcs.wcs.crpix = [(width + 1) / 2 + rng.normal(0, 0.004 * width), (height + 1) / 2 + rng.normal(0, 0.004 * width)]
    ra, dec = rng.uniform(0, 360), np.degrees(np.arcsin(rng.uniform(-1, 1)))
    wcs.wcs.crval = [ra, dec]
    turn, scale = rng.uniform(0, 2 * np.pi), np.degrees(1 / focal)
    wcs.wcs.cd = scale * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    bend = rng.normal(0, 0.015 if law == "TAN" else 0.025)
    axis = np.array(wcs.wcs.crpix) - 1
    edge = np.hypot(width, height) / 2

    def pixels(vectors, world):
        """0-based pixels, and which are seen."""
        angle = np.arccos(np.clip(vectors @ unit(ra, dec), -1, 1))
        seen = angle < np.radians(85 if law == "TAN" else 95)
        at = np.full((len(world), 2), np.nan)
        at[seen] = wcs.wcs_world2pix(world[seen], 0)
        off = at - axis
        at = axis + off * (1 + bend * (np.hypot(*off.T) / edge)[:, None] ** 2)
        return at, seen & ((at > -20) & (at < [width + 20, height + 20])).all(axis=1)

    bright = np.flatnonzero(sky.mag < 7.5)
    v = sky.vectors[bright]
    world = np.degrees(np.stack([np.arctan2(v[:, 1], v[:, 0]), np.arcsin(v[:, 2])], axis=1))
    at, seen = pixels(v, world)
    order = np.flatnonzero(seen)[np.argsort(sky.mag[bright][seen], kind="stable")]
    shown = int(rng.choice([40, 80, 150, 400, 1200]))
    order = order[:shown]
    sigma = rng.uniform(0.8, 1.8)
    mags = sky.mag[bright][order] + rng.normal(0, 0.15, len(order))
    light = 25.0 * 10 ** (-0.4 * (mags - mags.max()))
    yy, xx = np.mgrid[0:height, 0:width]
    plane = np.full((height, width), 30.0)
    ground = np.full(width, height + 1.0)
    if rng.random() < 0.5:
        ground = height * (1 - rng.uniform(0.05, 0.3)) + 0.03 * height * np.cumsum(rng.normal(0, 0.15, width)).clip(-3, 3)
        plane += 25 * np.exp(-np.maximum(ground - yy, 0) / (0.15 * height)) * rng.uniform(0, 1)
    for (x, y), peak in zip(at[order], light):
        if not (-8 < x < width + 8 and -8 < y < height + 8):
            continue
        x0, x1, y0, y1 = int(max(x - 9, 0)), int(min(x + 10, width)), int(max(y - 9, 0)), int(min(y + 10, height))
        if x0 < x1 and y0 < y1:
            part = (slice(y0, y1), slice(x0, x1))
            plane[part] += peak * np.exp(-((xx[part] - x) ** 2 + (yy[part] - y) ** 2) / (2 * sigma**2))
    plane += rng.normal(0, 4.0, plane.shape)
    below = yy > ground[None, :]
    plane[below] = 14 + rng.normal(0, 3, below.sum())
    if law != "TAN":
        circle = np.hypot(xx - axis[0], yy - axis[1]) > RADIUS[law](np.pi / 2) * focal
        plane[circle] = 6 + rng.normal(0, 1, circle.sum())
    strength = rng.uniform(0.4, 1.0)
    plane = 255 * np.clip(plane / 255, 0, 1) ** strength
    kind = "jpg" if rng.random() < 0.7 else "png"
    name = f"{number:04}.{kind}"
    picture = Image.fromarray(np.clip(np.round(plane), 0, 255).astype(np.uint8)).convert("RGB")
    exif = Image.Exif()
    claim = None
    if kind == "jpg" and rng.random() < 0.6:
        # 36 mm along the longer side; a third of them name another lens.
        claim = 36 / width * focal * (rng.choice([0.5, 2.0]) if rng.random() < 0.33 else 1.0)
        exif.get_ifd(0x8769)[0x920A] = float(round(claim, 1))
        exif.get_ifd(0x8769)[0xA405] = int(round(claim))
    picture.save(folder / name, **({"quality": 92, "exif": exif} if kind == "jpg" else {}))
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    seeable = order[[0 <= x < width and 0 <= y < min(height, ground[int(np.clip(x, 0, width - 1))]) for x, y in at[order]]]
    off = centre - axis
    for _ in range(20):
        off = (centre - axis) / (1 + bend * (np.hypot(*off) / edge) ** 2)
    place = wcs.wcs_pix2world([axis + off], 0)[0]
    truth = {
        "file": name, "law": law, "longer_deg": 2 * np.degrees(half), "stars": len(seeable), "claim_mm": claim,
        "scale_arcsec_per_px": 3600 * scale, "centre_deg": [place[0] % 360, place[1]],
        "size": [width, height], "circle": bool(law != "TAN" and half == np.pi / 2 and RADIUS[law](half) * focal < width / 2),
        "spots": [[*at[k], *world[k]] for k in seeable],
    }
    (folder / f"{number:04}.json").write_text(json.dumps(truth))
    return truth


def judged(record, truth):
    """State, error of the centre in stated radii, median error of the inner and of the outer stars, px."""
    if record["status"] != "solved":
        return record["status"], None, None, None
    scale = truth["scale_arcsec_per_px"]
    centre = record["centre"]
    apart = np.linalg.norm(unit(centre["ra_deg"], centre["dec_deg"]) - unit(*truth["centre_deg"]))
    off = 3600 * np.degrees(apart)
    spots = np.array(truth["spots"])
    wcs = wcs_of(record)
    seen = unit(*wcs.all_pix2world(spots[:, :2], 0).T)
    error = 3600 * np.degrees(np.linalg.norm(seen - unit(spots[:, 2], spots[:, 3]), axis=1)) / scale
    far = np.hypot(*(spots[:, :2] - np.array(truth["size"]) / 2).T) > 0.25 * np.hypot(*truth["size"])
    inner = np.median(error[~far]) if (~far).any() else 0.0
    outer = np.median(error[far]) if far.any() else 0.0
    state = "wrong" if off > CENTRE_PX * scale or inner > STARS_PX else "solved"
    return state, off / centre["uncertainty_arcsec"], inner, outer


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=Path, required=True)
    parser.add_argument("--numbers", default="0..60")
    parser.add_argument("--program", action="append")
    parser.add_argument("--list", action="store_true", help="a line per frame")
    options = parser.parse_args()
    options.frames.mkdir(parents=True, exist_ok=True)
    programs = options.program or [PROJECT / "target/release/nightfix"]
    sky = None
    rows = []
    first, last = (int(n) for n in options.numbers.split(".."))
    for number in range(first, last):
        note = options.frames / f"{number:04}.json"
        if not note.exists():
            sky = sky or Sky(CATALOGUE, EPOCH)
            painted(number, sky, options.frames)
        truth = json.loads(note.read_text())
        states = []
        for program in programs:
            command = [program, "solve", "--json", options.frames / truth["file"]]
            record = json.loads(subprocess.run(command, capture_output=True, text=True).stdout.splitlines()[0])
            states.append((*judged(record, truth), record["elapsed_ms"]["total"]))
            if options.list:
                law = record["wcs"]["ctype"][0][5:] if record["wcs"] else record["diagnosis"]["code"]
                figures = ["-" if f is None else f"{f:.2f}" for f in states[-1][1:4]]
                claim = f"{truth['claim_mm']:.1f} mm" if truth["claim_mm"] else "-"
                print(truth["file"], truth["law"], f"{truth['longer_deg']:.0f} deg", truth["stars"], claim, "|",
                      states[-1][0], law, *figures, record["stars"]["detected"], record["stars"]["matched"],
                      record["stars"]["rms_px"], f"{states[-1][4]:.0f} ms", flush=True)
        rows.append((truth, states))
    print("| frames | number |" + " solved | wrong | covered | inner px | edge px | ms |" * len(programs))
    print("| --- | ---: |" + " ---: | ---: | ---: | ---: | ---: | ---: |" * len(programs))
    groups = {"all": lambda t: True, "30 stars and more": lambda t: t["stars"] >= 30}
    groups |= {law: (lambda t, law=law: t["law"] == law and t["stars"] >= 30) for law in LAWS}
    groups["circles"] = lambda t: t["circle"] and t["stars"] >= 30
    for name, holds in groups.items():
        some = [states for truth, states in rows if holds(truth)]
        row = f"| {name} | {len(some)} |"
        for k in range(len(programs)):
            good = [s[k] for s in some if s[k][0] == "solved"]
            wrong = sum(s[k][0] == "wrong" for s in some)
            covered = np.mean([s[1] <= 1 for s in good]) if good else float("nan")
            middle = lambda i: np.median([s[i] for s in good]) if good else float("nan")
            ms = np.median([s[k][4] for s in some]) if some else float("nan")
            row += f" {len(good)} | {wrong} | {covered:.2f} | {middle(2):.2f} | {middle(3):.2f} | {ms:.0f} |"
        print(row)


if __name__ == "__main__":
    main()
