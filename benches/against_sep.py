#!/usr/bin/env python3
"""Times a whole `nightfix solve` process against the SEP library on the same frame.

usage: python benches/against_sep.py FRAME [--nightfix PATH] [--runs N]

SEP (needs: sep, astropy, numpy) does what finding stars takes: background, subtraction,
extraction at 4 sigma; reading the file is left out of its time and is part of nightfix's.
The runs alternate, so that both see the same machine; the medians are compared.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import time

import numpy as np
import sep
from astropy.io import fits


def read(path):
    """The first image of the file, as SEP wants it."""
    with fits.open(path) as hdus:
        for hdu in hdus:
            if hdu.data is not None and hdu.data.ndim == 2:
                return np.ascontiguousarray(hdu.data, dtype=np.float32)
    sys.exit(f"{path}: no image of two dimensions; give a FITS frame")


def with_sep(pixels):
    """Seconds and number of stars."""
    start = time.perf_counter()
    background = sep.Background(pixels)
    stars = sep.extract(pixels - background.back(), 4.0, err=background.globalrms)
    return time.perf_counter() - start, len(stars)


def with_nightfix(program, path):
    """Seconds and the result of one whole process."""
    start = time.perf_counter()
    run = subprocess.run(
        [program, "solve", path, "--json"], capture_output=True, text=True, check=False
    )
    seconds = time.perf_counter() - start
    lines = run.stdout.splitlines()
    if not lines:
        sys.exit(f"{program}: printed no result for {path}: {run.stderr.strip()}")
    return seconds, json.loads(lines[0])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("frame")
    parser.add_argument("--nightfix", default="target/release/nightfix", metavar="PATH")
    parser.add_argument("--runs", type=int, default=7)
    options = parser.parse_args()
    if not os.path.exists(options.frame):
        sys.exit(f"{options.frame}: no such file")
    pixels = read(options.frame)
    sep.set_extract_pixstack(max(300_000, pixels.size // 10))
    with_sep(pixels)
    ours, theirs = [], []
    for _ in range(options.runs):
        seconds, stars = with_sep(pixels)
        theirs.append(seconds)
        seconds, result = with_nightfix(options.nightfix, options.frame)
        ours.append(seconds)
    a, b = statistics.median(ours), statistics.median(theirs)
    elapsed = result.get("elapsed_ms", {})
    print(f"{options.frame}: {pixels.shape[1]} x {pixels.shape[0]}, {options.runs} runs, median (least)")
    print(f"nightfix solve  {a * 1e3:8.1f} ms ({min(ours) * 1e3:.1f})  {result.get('status')}  {elapsed}")
    print(f"sep {sep.__version__:<11} {b * 1e3:8.1f} ms ({min(theirs) * 1e3:.1f})  {stars} stars at 4 sigma")
    print(f"ratio           {a / b:8.2f}")


if __name__ == "__main__":
    main()
