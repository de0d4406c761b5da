#!/usr/bin/env python3
"""How often the first cause named is right, over pictures that cannot solve.

    python benches/diagnoses.py FOLDER [--program PATH] [--list]

Needs numpy and Pillow. Paints four pictures of each of ten kinds into FOLDER, drawn at random from
their number, with stars at random places: no such sky is anywhere. What they should be told stands
beside each kind: codes of a diagnosis, or for 'no-match' words of the first suspicion. A person who
looks at the picture would say the same; two causes are given where both can be seen.
"""

import argparse
import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
from PIL import Image

EACH = 4


def soft(shape, rng, sizes, power=1.0):
    """Hills of these sizes, 0 to 1: smaller ones lower by a power."""
    height, width = shape
    total = np.zeros(shape)
    for size in sizes:
        cells = rng.random((height // size + 3, width // size + 3)).astype(np.float32)
        large = Image.fromarray(cells).resize((width + 2 * size, height + 2 * size), Image.BICUBIC)
        total += size**power * np.asarray(large)[size : size + height, size : size + width]
    return (total - total.min()) / np.ptp(total)


def with_stars(plane, rng, count, image, faintest=0.08):
    """Adds `count` stars, fluxes falling as a power law; `image` gives a stamp of height 1."""
    height, width = plane.shape
    for _ in range(count):
        stamp = image()
        x, y = rng.integers(0, width - stamp.shape[1]), rng.integers(0, height - stamp.shape[0])
        light = min(faintest / (1 - rng.random()), 60 * faintest)
        plane[y : y + stamp.shape[0], x : x + stamp.shape[1]] += light * stamp
    return plane


def gaussian(sigma):
    """A round star."""
    reach = int(np.ceil(4 * sigma))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return np.exp(-0.5 * (x * x + y * y) / sigma**2)


def disc(radius, hole):
    """A star far out of focus."""
    reach = int(radius + 3)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    r = np.hypot(x, y)
    edge = lambda at: 1 / (1 + np.exp((r - at) / 0.7))
    return edge(radius) - edge(hole * radius)


def trail(length, angle, sigma):
    """A star that has drifted."""
    reach = int(length / 2 + 4 * sigma) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    steps = np.linspace(-length / 2, length / 2, int(length) + 2)
    parts = [np.exp(-0.5 * ((x - d * np.cos(angle)) ** 2 + (y - d * np.sin(angle)) ** 2) / sigma**2) for d in steps]
    total = np.sum(parts, axis=0)
    return total / total.max()


def night(rng, shape, level=0.08, noise=0.012):
    """A dark sky."""
    return level + noise * rng.normal(size=shape)


def daylight(rng, shape):
    sky = np.linspace(0.45, 0.65, shape[0])[:, None] * np.ones(shape)
    clouds = np.clip(soft(shape, rng, [160, 80, 40, 20]) * 2 - rng.uniform(0.6, 1.0), 0, 1)
    return sky + 0.4 * clouds + 0.005 * rng.normal(size=shape)


def nebula(rng, shape):
    return 0.05 + 0.7 * soft(shape, rng, [300, 150, 70, 30]) ** 2 + 0.006 * rng.normal(size=shape)


def dark(rng, shape):
    return night(rng, shape, rng.uniform(0.01, 0.06), 0.01)


def trailed(rng, shape):
    sigma = rng.uniform(1.3, 2.2)
    image = trail(2.35 * sigma * rng.uniform(3, 15), rng.uniform(0, np.pi), sigma)
    return with_stars(night(rng, shape), rng, 150, lambda: image)


def out_of_focus(rng, shape):
    image = disc(rng.uniform(10, 30), rng.choice([0, 0.4]))
    return with_stars(night(rng, shape), rng, 40, lambda: image, 0.06)


def few(rng, shape):
    return with_stars(night(rng, shape), rng, int(rng.integers(1, 6)), lambda: gaussian(1.6), 0.2)


def narrow(rng, shape):
    sigma = rng.uniform(4, 8)
    return with_stars(night(rng, shape), rng, 45, lambda: gaussian(sigma), 0.05)


def fisheye(rng, shape):
    plane = with_stars(night(rng, shape), rng, 500, lambda: gaussian(rng.uniform(0.9, 1.3)), 0.05)
    height, width = shape
    y, x = np.mgrid[:height, :width]
    r = np.hypot(x - width / 2, y - height / 2) / (height / 2)
    turn = np.arctan2(y - height / 2, x - width / 2)
    trees = 0.88 + 0.06 * np.interp(turn, np.linspace(-np.pi, np.pi, 200), rng.random(200), period=2 * np.pi)
    plane[r > trees] = 0.02
    plane[r > 1] = 0
    return plane


def indoors(rng, shape):
    plane = np.full(shape, rng.uniform(0.3, 0.5))
    for _ in range(25):
        x, y = rng.integers(0, shape[1] - 60), rng.integers(0, shape[0] - 60)
        w, h = rng.integers(40, 400), rng.integers(40, 300)
        plane[y : y + h, x : x + w] = rng.uniform(0.05, 0.95)
    return plane + 0.01 * rng.normal(size=shape)


def milky_way(rng, shape):
    return with_stars(night(rng, shape, 0.15), rng, 6000, lambda: gaussian(1.6), 0.02)


KINDS = [
    (daylight, ["bright-sky", "overexposed"], []),
    (nebula, ["cloud", "no-stars"], []),
    (dark, ["no-stars"], []),
    (trailed, ["trailed"], ["trails"]),
    (out_of_focus, ["out-of-focus"], ["out of focus"]),
    (few, ["few-stars"], []),
    (narrow, ["out-of-focus", "index-too-shallow"], ["under one degree", "out of focus"]),
    (fisheye, ["too-wide"], ["lens", "fisheye"]),
    (indoors, ["bright-sky", "cloud"], []),
    (milky_way, ["index-too-shallow"], ["stand so close", "under one degree"]),
]


def is_right(diagnosis, codes, words):
    """Whether the code, or the first suspicion of an unmatched frame, is among these."""
    if diagnosis["code"] != "no-match":
        return diagnosis["code"] in codes
    first = re.split(", or (?:it is that|the field|the stars)", diagnosis["sentence"].partition("Likely")[2])[0]
    return any(word in first for word in words)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--program", default=Path(__file__).resolve().parent.parent / "target/release/nightfix")
    parser.add_argument("--list", action="store_true", help="print what those are told that are told wrong")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    print("| kind | right | solved |\n| --- | ---: | ---: |")
    sums = [0, 0]
    for paint, codes, words in KINDS:
        right = solved = 0
        for number in range(EACH):
            rng = np.random.default_rng([number, *paint.__name__.encode()])
            path = options.folder / f"{paint.__name__}-{number}.png"
            if not path.exists():
                values = np.clip(paint(rng, (800, 1200)), 0, 1)
                Image.fromarray(np.round(255 * values).astype(np.uint8)).save(path)
            command = [options.program, "solve", "--json", path]
            lines = subprocess.run(command, capture_output=True, text=True).stdout.splitlines()
            record = json.loads(lines[0])
            solved += record["status"] == "solved"
            diagnosis = record["diagnosis"]
            if diagnosis and is_right(diagnosis, codes, words):
                right += 1
            elif options.list:
                print(path.name, record["status"], diagnosis and diagnosis["sentence"], file=sys.stderr, flush=True)
        sums = [sums[0] + right, sums[1] + solved]
        print(f"| {paint.__name__.replace('_', ' ')} | {right} of {EACH} | {solved} |", flush=True)
    print(f"| all | {sums[0]} of {EACH * len(KINDS)} | {sums[1]} |")


if __name__ == "__main__":
    main()
