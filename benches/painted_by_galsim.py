#!/usr/bin/env python3
"""Measures the program on star fields painted by GalSim, a library for images of the sky.

    python benches/painted_by_galsim.py --frames FOLDER [--numbers 0..600] [--program PATH]
        [--detections PATH] [--variant "NAME VARIABLE=VALUE ..."]... [--list]

Needs: GalSim (which brings numpy and astropy) and Pillow; `cargo build --release` before.

Stars are those of index-builder/catalogue/bright-stars.nfcat, the extract of Tycho-2 and Hipparcos
to magnitude 11, moved to the year 2020; beyond it others lie in random places. Everything else is
drawn at random from the frame's number and --seed: field (1 to 50 degrees wide), projection and
distortion, air and optics, the mount's motion, sky, sensor, depth, and a main defect; half of
the frames have a second one. Painted frames stay in FOLDER with a line of truth each
(truth.jsonl); only those that are missing are painted. After a change of what is painted take a
new folder.

A frame is solvable where eight stars of the catalogue stand out with a signal to noise of 8, by
the noise of the pixels that a matched filter takes in. Wrong: the centre is off by more than 3 px
or the scale by more than 1 %, solvable or not. Centroids: distances from the places painted (of
the light's adaptive moments) to what is detected, for stars of signal to noise 20 and up that are
not saturated; the median over all stars of the class. Time is processor time of the whole process
with one thread, which other work on the machine disturbs little.

A variant is a program or a set of environment variables of its own, PROGRAM and DETECTIONS among
them: --variant "all" --variant "no spikes NIGHTFIX_WITHOUT=spike". With several, each has its
column, and the frames that differ from the first are listed.
"""

import argparse
import csv
import json
import os
import shlex
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from galsim_frames import DEFECTS, WIDTHS_DEG, paint
from galsim_sky import Sky, unit

PROJECT = Path(__file__).resolve().parent.parent
CATALOGUE = PROJECT / "index-builder/catalogue/bright-stars.nfcat"
EPOCH = 2020.0
LARGEST_OFFSET_PX = 3.0
LARGEST_SCALE_ERROR = 0.01
CENTROID_SNR = 20.0


def painted(options):
    """The truth of all frames asked for; those that are missing are painted first."""
    options.frames.mkdir(parents=True, exist_ok=True)
    record = options.frames / "truth.jsonl"
    truths = {}
    if record.exists():
        for line in record.read_text().splitlines():
            truth = json.loads(line)
            if truth["seed"] != options.seed:
                raise SystemExit(f"{options.frames}: frames of --seed {truth['seed']}; name another folder")
            truths[truth["number"]] = truth
    missing = [n for n in options.numbers if n not in truths]
    if missing:
        begun = time.monotonic()
        jobs = [(options.seed, number, options.frames) for number in missing]
        with open(record, "a") as lines, Pool(options.painters, start_painter) as pool:
            for truth in pool.imap(paint_one, jobs):
                truths[truth["number"]] = truth
                lines.write(json.dumps(truth) + "\n")
                lines.flush()
        print(f"{len(missing)} frames painted in {time.monotonic() - begun:.0f} s", file=sys.stderr)
    return [truths[n] for n in options.numbers]


def start_painter():
    global sky
    sky = Sky(CATALOGUE, EPOCH)


def paint_one(job):
    seed, number, folder = job
    begun = time.process_time()
    data, ending, truth = paint(seed, number, sky)
    name = f"{number:04}.{ending}"
    partial = folder / f"{name}.part"
    partial.write_bytes(data)
    partial.rename(folder / name)
    return {"seed": seed, "file": name} | truth | {"painted_s": round(time.process_time() - begun, 2)}


class Variant:
    """A program to measure, and the environment it runs in."""

    def __init__(self, text, options):
        self.name, *settings = shlex.split(text)
        self.program, self.detections = options.program, options.detections
        self.environment = dict(os.environ)
        for setting in settings:
            key, found, value = setting.partition("=")
            if not found:
                raise SystemExit(f"--variant {text}: {setting} is not VARIABLE=VALUE")
            if key == "PROGRAM":
                self.program = Path(value)
            elif key == "DETECTIONS":
                self.detections = Path(value)
            else:
                self.environment[key] = value
        if not self.program.exists():
            raise SystemExit(f"{self.program}: no such program; cargo build --release, or --program")

    def run(self, *command):
        """Exit status, standard output and processor time in ms."""
        # A process of its own is waited for by its number, for the time it took alone.
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=self.environment
        )
        out = process.stdout.read()
        process.stdout.close()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        return process.returncode, out.decode(), 1e3 * (used.ru_utime + used.ru_stime)

    def measure(self, folder, truth):
        """State (solved, unsolved, wrong, fault), whether the stated radius holds the centre, time in
        ms and centroid errors in px."""
        path = folder / truth["file"]
        status, out, time_ms = self.run(
            self.program, "solve", "--json", "--threads", "1", "--time-limit", "60", path
        )
        state, reason, held = "fault", f"exit status {status}", None
        if status in (0, 1, 75):
            answer = json.loads(out)
            state, reason = judged(answer, truth)
            if answer["status"] == "solved":
                held = bool(off_arcsec(answer, truth) <= answer["centre"]["uncertainty_arcsec"])
        errors = []
        if self.detections:
            status, out, _ = self.run(self.detections, path)
            if status == 0:
                errors = centroid_errors(truth, list(csv.DictReader(out.splitlines())))
        return {
            "state": state, "reason": reason, "held": held, "time_ms": time_ms, "errors": errors
        }


def off_arcsec(answer, truth):
    centre = unit(answer["centre"]["ra_deg"], answer["centre"]["dec_deg"])
    apart = np.linalg.norm(centre - unit(truth["ra_deg"], truth["dec_deg"]))
    return np.degrees(2 * np.arcsin(apart / 2)) * 3600


def judged(answer, truth):
    if answer["status"] != "solved":
        return "unsolved", str(answer["reason"])
    off_px = off_arcsec(answer, truth) / truth["scale_arcsec_per_px"]
    scale = answer["scale_arcsec_per_px"] / truth["scale_arcsec_per_px"] - 1
    if off_px > LARGEST_OFFSET_PX or abs(scale) > LARGEST_SCALE_ERROR:
        return "wrong", f"centre off by {off_px:.1f} px, scale by {100 * scale:+.2f} %"
    return "solved", ""


def centroid_errors(truth, rows):
    """Distances of the nearest detections, px, of clear and unsaturated stars that are found."""
    stars = np.array([s[:2] for s in truth["stars"] if s[3] >= CENTROID_SNR and not s[4]])
    found = np.array([[float(row["x_px"]), float(row["y_px"])] for row in rows])
    if not len(stars) or not len(found):
        return []
    apart = np.linalg.norm(stars[:, None] - found[None], axis=2).min(axis=1)
    return apart[apart <= max(1.5, truth["width_px"] / 2)].tolist()


def cells_of(truths, results):
    """Solved of the solvable, solved of the others, wrong, centroids, times."""
    solved = [r["state"] == "solved" for r in results]
    solvable = [t["solvable"] for t in truths]
    inside = sum(s and can for s, can in zip(solved, solvable))
    beyond = sum(s and not can for s, can in zip(solved, solvable))
    bad = [sum(r["state"] == state for r in results) for state in ("wrong", "fault")]
    errors = np.concatenate([r["errors"] for r in results] or [[]])
    middle = f"{np.median(errors):.3f}" if len(errors) else ""
    times = [r["time_ms"] for r in results]
    wrong = f"{bad[0]}" + (f" + {bad[1]} faults" if bad[1] else "")
    return [
        f"{inside} of {sum(solvable)}", f"{beyond} of {len(solvable) - sum(solvable)}", wrong, middle,
        f"{np.median(times):.0f} / {np.percentile(times, 95):.0f}",
    ]


def table(variants, truths, results):
    """Rows by width, by main defect and for all; a group of columns for each variant."""
    heads = ["solved", "others solved", "wrong", "centroids px", "ms, median / 95 %"]
    prefix = [f"{v.name}: " if len(variants) > 1 else "" for v in variants]
    print("| frames | number | " + " | ".join(p + h for p in prefix for h in heads) + " |")
    print("| --- " + "| ---: " * (1 + len(heads) * len(variants)) + "|")
    groups = [
        (f"{low} to {high} deg", lambda t, k=k: t["class"] == k)
        for k, (low, high) in enumerate(WIDTHS_DEG)
    ]
    groups += [(defect, lambda t, d=defect: t["defect"] == d) for defect in DEFECTS]
    groups.append(("with two defects", lambda t: len(t["defects"]) == 2))
    groups.append(("all", lambda t: True))
    for name, belongs in groups:
        rows = [i for i, truth in enumerate(truths) if belongs(truth)]
        if not rows:
            continue
        cells = [name, str(len(rows))]
        for measured in results:
            cells += cells_of([truths[i] for i in rows], [measured[i] for i in rows])
        print("| " + " | ".join(cells) + " |")


def listed(variants, truths, results, everything):
    """Frames that are wrong, faults, unsolved though solvable, or differ from the first variant."""
    for k, (variant, measured) in enumerate(zip(variants, results)):
        for truth, result, first in zip(truths, measured, results[0]):
            missed = result["state"] == "unsolved" and truth["solvable"] and everything
            bad = result["state"] in ("wrong", "fault")
            differs = k and result["state"] != first["state"]
            if missed or bad or differs:
                width_deg = truth["scale_arcsec_per_px"] * truth["width"] / 3600
                before = f" (before: {first['state']})" if differs else ""
                print(
                    f"{variant.name}: {truth['file']} {result['state']}{before}, "
                    f"{' and '.join(truth['defects'])}, {width_deg:.1f} deg, {truth['seen']} stars, "
                    f"{result['time_ms']:.0f} ms: {result['reason']}",
                    file=sys.stderr,
                )


def numbers(text):
    first, found, end = text.partition("..")
    try:
        return range(int(first), int(end)) if found else [int(n) for n in text.split(",")]
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text}: expected FIRST..END or N,N,...")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=Path, required=True, metavar="FOLDER")
    parser.add_argument("--numbers", type=numbers, default="0..600", metavar="FIRST..END|N,N")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--painters", type=int, default=1, help="processes that paint")
    parser.add_argument("--program", type=Path, default=PROJECT / "target/release/nightfix")
    parser.add_argument(
        "--detections", type=Path, help="`detections` of benches, built; without it no centroids"
    )
    parser.add_argument("--variant", action="append", metavar="'NAME VARIABLE=VALUE ...'")
    parser.add_argument("--at-once", type=int, default=2, help="processes that are measured")
    parser.add_argument("--list", action="store_true", help="name the solvable frames that are not solved")
    parser.add_argument("--paint-only", action="store_true")
    options = parser.parse_args()
    truths = painted(options)
    if options.paint_only:
        return
    variants = [Variant(text, options) for text in options.variant or ["nightfix"]]
    with ThreadPoolExecutor(options.at_once) as pool:
        results = [
            list(pool.map(lambda t, v=v: v.measure(options.frames, t), truths)) for v in variants
        ]
    table(variants, truths, results)
    for variant, measured in zip(variants, results):
        held = [r["held"] for r in measured if r["held"] is not None]
        print(f"\n{variant.name}: the stated radius holds the centre of {sum(held)} of {len(held)}")
    listed(variants, truths, results, options.list)


if __name__ == "__main__":
    main()
