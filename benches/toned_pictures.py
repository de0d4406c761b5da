#!/usr/bin/env python3
"""Measures the program on pictures as people make them: frames painted by painted_by_galsim.py, developed.

    python benches/toned_pictures.py --frames FOLDER --pictures FOLDER [--numbers 170..290]
        [--sixteen] [--program PATH]... [--list]

Needs numpy and Pillow, and the frames (with truth.jsonl) that painted_by_galsim.py left in FOLDER. What
is done to a frame is drawn at random from its number and --seed, once, and stays in the folder of
pictures: its tone curve (asinh, gamma, a shoulder, a masked stretch), where its black and its white
lie, and each of these with a probability of its own: noise reduction, sharpening, local contrast,
smaller stars, halos, saturated colour, enlargement; and 8-bit PNG or JPEG. With --sixteen the same
pictures are saved in 16 bits, as PNG and FITS (the file says nothing of the tone curve). Solvable are the frames
that are solvable before; those that still show eight stars have a row of their own: a tone curve, 8 bits and
a black that is set too high lose some. A star shows whose light in a circle stands eight times as far above
the ring around it as that of such circles at random places scatters. Wrong: the centre is off by more than 3 px of the frame or the scale by
more than 1 %. With several programs each has its columns.
"""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

from galsim_sky import unit

LARGEST_OFFSET_PX = 3.0
LARGEST_SCALE_ERROR = 0.01
# As painted_by_galsim.py counts.
SEEN_SNR = 8.0
LEAST_STARS = 8
CURVES = ["asinh", "gamma", "shoulder", "masked"]
TOUCHES = {
    "denoised": 0.5, "sharpened": 0.35, "local contrast": 0.35, "small stars": 0.25, "halos": 0.3,
    "saturated": 0.4, "enlarged": 0.3, "JPEG": 0.7,
}


def blurred(plane, sigma):
    """Gaussian blur; wide ones in coarser blocks."""
    if sigma > 6:
        step = int(sigma // 3)
        height, width = plane.shape
        padded = np.pad(plane, ((0, -height % step), (0, -width % step)), mode="edge")
        small = padded.reshape(padded.shape[0] // step, step, -1, step).mean(axis=(1, 3))
        soft = Image.fromarray(blurred(small, sigma / step).astype(np.float32))
        large = soft.resize(padded.shape[::-1], Image.BICUBIC)
        return np.asarray(large, float)[:height, :width]
    reach = int(np.ceil(3 * sigma))
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    taps /= taps.sum()
    for axis in (0, 1):
        padding = [(0, 0), (0, 0)]
        padding[axis] = (reach, reach)
        padded = np.pad(plane, padding, mode="edge")
        length = plane.shape[axis]
        plane = sum(
            tap * padded.take(range(k, k + length), axis=axis) for k, tap in enumerate(taps)
        )
    return plane


def lowest_of_nine(plane):
    """The least value of each pixel and its neighbours."""
    padded = np.pad(plane, 1, mode="edge")
    height, width = plane.shape
    shifts = [padded[j : j + height, i : i + width] for j in range(3) for i in range(3)]
    return np.min(shifts, axis=0)


def balanced(value, middle):
    """The curve 0, 0 to 1, 1 that puts 0.5 where `middle` was (a rational function)."""
    return (1 - middle) * value / ((1 - 2 * middle) * value + middle)


def curved(light, curve, rng):
    """Light above black through a tone curve to 0..1, the sky no lighter than people leave it."""
    target = rng.uniform(0.06, 0.25)
    toned = steep(light, curve, target, rng)
    middle = np.median(toned)
    black = max((middle - target) / (1 - target), 0)
    return np.maximum((toned - black) / (1 - black), 0)


def steep(light, curve, target, rng):
    """Light through a tone curve, the sky at `target` where the curve has it free."""
    sky = max(np.median(light), 1e-6)
    if curve == "asinh":
        strength = 10 ** rng.uniform(0.5, 2.0)
        toned = np.arcsinh(light / sky * strength) / np.arcsinh(strength)
        return np.minimum(toned * target, 1)
    if curve == "gamma":
        toned = (light / np.percentile(light, rng.uniform(99.7, 99.99))) ** (1 / rng.uniform(2, 5))
        return np.minimum(toned, 1)
    if curve == "shoulder":
        toned = 1 - np.exp(-light / sky * -np.log(1 - target))
        return rng.uniform(0.7, 1.0) * toned
    # Small steps, each held back where the picture is bright already.
    toned = np.minimum(light / np.percentile(light, 99.95), 1)
    for _ in range(40):
        middle = np.median(toned)
        if middle >= target:
            break
        toned = (1 - toned) * balanced(toned, 0.35) + toned * toned
    return toned


def developed(plane, rng):
    """The picture of a frame (RGB, 0 to 1), and what was done to it."""
    done = [str(rng.choice(CURVES))]
    done += [name for name, chance in TOUCHES.items() if rng.random() < chance]
    sky = np.median(plane)
    noise = 1.48 * np.median(np.abs(plane - sky)) + 1e-6
    if "denoised" in done:
        soft = blurred(plane, rng.uniform(0.8, 2.5))
        keep = np.clip((soft - sky) / (6 * noise), 0, 1)
        plane = keep * plane + (1 - keep) * soft
    black = sky - rng.uniform(1.0, 8.0) * noise
    toned = curved(np.maximum(plane - black, 0), done[0], rng)
    if "small stars" in done:
        for _ in range(rng.integers(1, 3)):
            part = rng.uniform(0.3, 0.8)
            toned = part * lowest_of_nine(toned) + (1 - part) * toned
    if "local contrast" in done:
        base = blurred(toned, rng.uniform(4, 30))
        toned = toned - rng.uniform(0.2, 0.6) * (base - np.median(base))
    if "sharpened" in done:
        toned = toned + rng.uniform(0.5, 2.0) * (toned - blurred(toned, rng.uniform(0.8, 2.5)))
    if "halos" in done:
        glow = blurred(np.clip(toned - 0.6, 0, 1), rng.uniform(4, 14))
        toned = toned + rng.uniform(2, 12) * glow
    toned = np.clip(toned, 0, 1)
    if "saturated" in done:
        blocks = [-(-side // 24) for side in toned.shape]
        tint = np.kron(rng.uniform(0.6, 1.4, (*blocks, 3)), np.ones((24, 24, 1)))
        tint = tint[: toned.shape[0], : toned.shape[1]]
        # The stars in colour; the sky is made grey.
        sky = np.median(toned)
        colours = np.clip(np.minimum(toned, sky)[..., None] + np.maximum(toned - sky, 0)[..., None] * tint, 0, 1)
    else:
        colours = np.repeat(toned[..., None], 3, axis=2)
    enlarged = rng.uniform(1.5, 2.6) if "enlarged" in done else 1.0
    return colours, done, enlarged


def saved_in_eight(colours, enlarged, done, rng, stem):
    """Saves a picture as PNG or JPEG; its file, and how much larger than the frame it is."""
    picture = Image.fromarray(np.round(255 * colours).astype(np.uint8))
    if enlarged > 1:
        size = [round(enlarged * side) for side in picture.size]
        picture = picture.resize(size, Image.BICUBIC)
    path = stem.with_suffix(".jpg" if "JPEG" in done else ".png")
    settings = {"quality": int(rng.integers(60, 96))} if "JPEG" in done else {}
    picture.save(path, **settings)
    return path, picture.size[0] / colours.shape[1]


def saved_in_sixteen(colours, enlarged, done, stem):
    """Saves a picture in 16 bits: PNG in grey, and FITS in place of JPEG."""
    planes = [Image.fromarray(colours[..., k].astype(np.float32)) for k in range(3)]
    if enlarged > 1:
        size = [round(enlarged * side) for side in planes[0].size]
        planes = [plane.resize(size, Image.BICUBIC) for plane in planes]
    stored = np.stack([np.round(65_535 * np.clip(plane, 0, 1)) for plane in planes])
    path = stem.with_suffix(".fits" if "JPEG" in done else ".png")
    if "JPEG" in done:
        fits.PrimaryHDU(stored.astype(np.uint16)).writeto(path, overwrite=True)
    else:
        Image.fromarray(stored.mean(axis=0).astype(np.uint16)).save(path)
    return path, stored.shape[2] / colours.shape[1]


def read(path):
    """A frame as a plane of light; the colours of a mosaic are mixed as neighbours are."""
    if path.suffix in (".png", ".jpg"):
        return None
    with fits.open(path) as hdus:
        plane = next(hdu for hdu in hdus if hdu.data is not None)
        data = np.asarray(plane.data, float)
        mosaic = "BAYERPAT" in plane.header
    if data.ndim == 3:
        data = data.mean(axis=0)
    if mosaic:
        padded = np.pad(data, ((0, 1), (0, 1)), mode="edge")
        data = 0.25 * (padded[:-1, :-1] + padded[1:, :-1] + padded[:-1, 1:] + padded[1:, 1:])
    return data


def pictures(options):
    """The truth of every picture; those that are missing are made."""
    options.pictures.mkdir(parents=True, exist_ok=True)
    truths = {}
    for line in (options.frames / "truth.jsonl").read_text().splitlines():
        truth = json.loads(line)
        truths[truth["number"]] = truth
    first, last = (int(n) for n in options.numbers.split(".."))
    for number in range(first, last):
        truth = truths.get(number)
        plane = truth and read(options.frames / truth["file"])
        if plane is None:
            continue
        note = options.pictures / f"{number:04}.json"
        if not note.exists():
            rng = np.random.default_rng([options.seed, number])
            colours, done, enlarged = developed(plane, rng)
            stem = options.pictures / f"{number:04}"
            if options.sixteen:
                path, enlarged = saved_in_sixteen(colours, enlarged, done, stem)
            else:
                path, enlarged = saved_in_eight(colours, enlarged, done, rng, stem)
            note.write_text(json.dumps({"file": path.name, "done": done, "enlarged": enlarged}))
        yield truth, json.loads(note.read_text())


def stored(path):
    """The mean of a picture's colours as it was saved."""
    if path.suffix == ".fits":
        return fits.getdata(path).astype(float).mean(axis=0)
    values = np.asarray(Image.open(path), float)
    return values.mean(axis=2) if values.ndim == 3 else values


def stars_shown(path, truth, enlarged):
    """How many of the stars that were painted a picture shows."""
    plane = stored(path)
    radius = max(0.75 * truth["width_px"] * enlarged, 1)
    reach = int(np.ceil(3 * radius + 2))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    apart = np.hypot(x, y)
    circle, ring = apart <= radius, (apart > 2 * radius) & (apart <= 3 * radius + 2)
    padded = np.pad(plane, reach, mode="reflect")

    def light(place):
        column, row = (int(np.clip(round(p), 0, side - 1)) for p, side in zip(place, plane.shape[::-1]))
        cut = padded[row : row + 2 * reach + 1, column : column + 2 * reach + 1]
        return cut[circle].mean() - np.median(cut[ring])

    rng = np.random.default_rng(truth["number"])
    chance = np.array([light(rng.uniform(0, plane.shape[::-1])) for _ in range(400)])
    scatter = 1.48 * np.median(np.abs(chance - np.median(chance)))
    # Where all is alike, that of whole numbers.
    scatter = max(scatter, 0.29 / np.sqrt(circle.sum()))
    places = [[(c + 0.5) * enlarged - 0.5 for c in star[:2]] for star in truth["stars"]]
    return int(sum(light(place) >= SEEN_SNR * scatter for place in places))


def answered(program, path, environment=None):
    """The record of one picture."""
    command = [program, "solve", "--json", "--ignore-header", "--threads", "1", path]
    run = subprocess.run(command, capture_output=True, text=True, env=environment)
    lines = run.stdout.splitlines()
    return json.loads(lines[0]) if lines else {"status": "fault"}


def state(record, truth, note):
    """solved, wrong, unsolved or fault."""
    if record["status"] != "solved":
        return record["status"]
    scale = truth["scale_arcsec_per_px"] / note["enlarged"]
    centre = record["centre"]
    seen, true = unit(centre["ra_deg"], centre["dec_deg"]), unit(truth["ra_deg"], truth["dec_deg"])
    off_px = np.degrees(np.linalg.norm(seen - true)) * 3600 / truth["scale_arcsec_per_px"]
    ratio = record["scale_arcsec_per_px"] / scale
    wrong = off_px > LARGEST_OFFSET_PX or abs(ratio - 1) > LARGEST_SCALE_ERROR
    return f"wrong ({off_px:.1f} px, {ratio:.4f})" if wrong else "solved"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=Path, required=True)
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--numbers", default="170..290")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sixteen", action="store_true", help="16 bits in place of 8")
    parser.add_argument("--program", action="append")
    parser.add_argument("--list", action="store_true", help="name the pictures that are not solved")
    options = parser.parse_args()
    programs = options.program or [Path(__file__).resolve().parent.parent / "target/release/nightfix"]
    rows = []
    for truth, note in pictures(options):
        if truth["solvable"]:
            path = options.pictures / note["file"]
            states = [state(answered(program, path), truth, note) for program in programs]
            shows = stars_shown(path, truth, note["enlarged"])
            enough = ["eight stars shown"] if shows >= LEAST_STARS else []
            rows.append((note["done"] + enough, states))
            if options.list and (states[-1] != "solved" or len(set(states)) > 1):
                print(note["file"], ", ".join(note["done"]), f"| {shows} stars shown |", " | ".join(states), file=sys.stderr, flush=True)
    print("| pictures | number |" + " solved | wrong |" * len(programs))
    print("| --- | ---: |" + " ---: | ---: |" * len(programs))
    for name in ["all", "eight stars shown", *CURVES, *TOUCHES]:
        some = [states for done, states in rows if name == "all" or name in done]
        row = f"| {name} | {len(some)} |"
        for k in range(len(programs)):
            solved = sum(states[k] == "solved" for states in some)
            wrong = sum(states[k].startswith("wrong") for states in some)
            row += f" {solved} | {wrong} |"
        print(row)


if __name__ == "__main__":
    main()
