#!/usr/bin/env python3
"""How well the order of the detections follows the order of the stars in the sky.

    python benches/brightness_order.py FOLDER [--program PATH] [--detections PATH]...

FOLDER holds truth.json, a list of frames with `file` and, where it is known, `centre_ra_deg`. Needs
numpy, astropy and Pillow, and both programs built (`cargo build --release --example detections`).

Each frame is solved (binned by two and four where it does not solve as it is), the stars of
index-builder/catalogue/bright-stars.nfcat to magnitude 11 are put where its WCS shows them, and
each takes the brightest detection within a reach of 1.5 star widths or three times the rms. One row
a frame, one block of columns for every detector:

    found   of the catalogue stars in the frame, how many have a detection
    rho     Spearman's rank correlation of flux with magnitude over these (1: the same order)
    first   of as many first detections as the catalogue has stars here, but 20 at most, how many
            are such stars: the list a search begins with
"""

import argparse
import csv
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image

from galsim_sky import Sky

PROJECT = Path(__file__).resolve().parent.parent
CATALOGUE = PROJECT / "index-builder/catalogue/bright-stars.nfcat"
EPOCH = 2018.0
FIRST = 20


def solved(program, path):
    """The record of one frame; `None` where it is not solved."""
    line = subprocess.run(
        [program, "solve", "--json", path], capture_output=True, text=True
    ).stdout.splitlines()
    record = json.loads(line[0]) if line else {}
    return record if record.get("status") == "solved" else None


def binned(path, factor, folder):
    """A copy of a picture in blocks of that many pixels; `None` for FITS."""
    if path.suffix.lower() in (".fit", ".fits"):
        return None
    plane = np.asarray(Image.open(path).convert("RGB"), float).mean(axis=2)
    height, width = (side // factor * factor for side in plane.shape)
    blocks = plane[:height, :width].reshape(height // factor, factor, width // factor, factor)
    copy = folder / f"{path.stem}-{factor}.png"
    Image.fromarray(np.round(blocks.mean(axis=(1, 3))).astype(np.uint8)).save(copy)
    return copy


def record_of(program, path, folder):
    """How the frame solves: the record, and in blocks of how many pixels."""
    for factor in (1, 2, 4):
        copy = path if factor == 1 else binned(path, factor, folder)
        record = copy and solved(program, copy)
        if record:
            return record, factor
    return None, 1


def wcs_of(record):
    """The WCS of a record as astropy has it."""
    wcs = record["wcs"]
    header = fits.Header()
    for axis in (0, 1):
        header[f"CTYPE{axis + 1}"] = wcs["ctype"][axis]
        header[f"CRPIX{axis + 1}"] = wcs["crpix"][axis]
        header[f"CRVAL{axis + 1}"] = wcs["crval"][axis]
        header[f"CUNIT{axis + 1}"] = "deg"
        for other in (0, 1):
            header[f"CD{axis + 1}_{other + 1}"] = wcs["cd"][axis][other]
    for name, value in (wcs["sip"] or {}).items():
        header[name] = value
    if wcs["sip"]:
        header.setdefault("B_ORDER", header["A_ORDER"])
        header.setdefault("BP_ORDER", header["AP_ORDER"])
    return WCS(header)


def stars_shown(sky, record, factor, size):
    """Pixels (0-based, of the whole frame) and magnitudes of the catalogue stars in the frame."""
    centre = np.radians([record["centre"]["ra_deg"], record["centre"]["dec_deg"]])
    ra, dec = centre
    axis = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    reach = np.radians(0.6 * np.hypot(*record["field_deg"]))
    near = np.flatnonzero(sky.vectors @ axis > np.cos(min(reach, 1.2)))
    v = sky.vectors[near]
    world = np.degrees(np.stack([np.arctan2(v[:, 1], v[:, 0]), np.arcsin(v[:, 2])], axis=1))
    places = wcs_of(record).all_world2pix(world, 0, quiet=True)
    places = (places + 0.5) * factor - 0.5
    margin = 0.01 * max(size)
    inside = ((places > margin) & (places < np.array(size) - 1 - margin)).all(axis=1)
    return places[inside], sky.mag[near[inside]]


def detected(program, path):
    """Places and fluxes in the order handed on, and the median width."""
    text = subprocess.run([program, path], capture_output=True, text=True, check=True).stdout
    rows = list(csv.DictReader(text.splitlines()))
    take = lambda name: np.array([float(row[name]) for row in rows])
    return np.stack([take("x_px"), take("y_px")], axis=1), take("flux"), np.median(take("fwhm_px"))


def spearman(a, b):
    """Rank correlation."""
    if len(a) < 3:
        return float("nan")
    rank = lambda v: np.argsort(np.argsort(v, kind="stable"), kind="stable").astype(float)
    return float(np.corrcoef(rank(a), rank(b))[0, 1])


def judged(places, mags, found, reach):
    """The three figures of one frame and one detector."""
    spots, flux = found
    owner = np.full(len(places), -1)
    for k in np.argsort(mags, kind="stable"):
        apart = np.hypot(*(spots - places[k]).T)
        near = np.flatnonzero(apart < reach)
        near = near[~np.isin(near, owner)]
        if len(near):
            owner[k] = near[np.argmax(flux[near])]
    has = owner >= 0
    rho = spearman(flux[owner[has]], -mags[has])
    first = min(FIRST, len(places))
    return has.sum(), rho, np.isin(np.arange(first), owner).sum(), first


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--program", default=PROJECT / "target/release/nightfix")
    parser.add_argument("--detections", action="append")
    options = parser.parse_args()
    detectors = options.detections or [PROJECT / "target/release/examples/detections"]
    sky = Sky(CATALOGUE, EPOCH)
    frames = json.loads((options.folder / "truth.json").read_text())
    print("| frame | stars |" + " found | rho | first |" * len(detectors))
    print("| --- | ---: |" + " ---: | ---: | ---: |" * len(detectors))
    with tempfile.TemporaryDirectory() as scratch:
        for frame in frames:
            path = options.folder / frame["file"]
            record, factor = record_of(options.program, path, Path(scratch))
            if record is None:
                print(f"{path.name}: not solved, no order to compare with", file=sys.stderr)
                continue
            lists = [detected(program, path) for program in detectors]
            corner = record.get("size_px") or size_of(path)
            places, mags = stars_shown(sky, record, factor, corner)
            row = f"| {path.name} | {len(places)} |"
            for spots, flux, fwhm in lists:
                reach = max(1.5 * fwhm, 3 * factor * record["stars"]["rms_px"], 2.0)
                found, rho, first, of = judged(places, mags, (spots, flux), reach)
                row += f" {found} | {rho:.3f} | {first} of {of} |"
            print(row, flush=True)


def size_of(path):
    """Pixels along x and y."""
    if path.suffix.lower() in (".fit", ".fits"):
        with fits.open(path) as hdus:
            shape = next(hdu.shape for hdu in hdus if hdu.shape)
            return shape[::-1]
    return Image.open(path).size


if __name__ == "__main__":
    main()
