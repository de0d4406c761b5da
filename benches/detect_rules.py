#!/usr/bin/env python3
"""What each rule and reading of the detector earns: each is switched off in turn.

    python benches/detect_rules.py [--real FOLDER] [--painted 12000..12040] [RULE...]

Builds the program and the tests with the feature `rule-switches`, and runs them with
NIGHTFIX_WITHOUT=RULE over
  - the real frames of FOLDER (truth.json beside them, as for the tests): solved blind, and wrong,
    where the centre lies more than three pixels from the truth;
  - fields of the real sky painted with one and with two of 28 defects drawn at random
    (tests/stars/spoiled), of which none may be wrong: that ends the test.
Prints a row of a Markdown table for each: benches/DETECT.md. Time is processor time of detection
over the real frames, as a ratio to all rules together; it is measured in turn with them.
"""

import argparse
import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

RULES = """drawn sharp-peak streak steep-core outline spike dark-side faint narrow letter part-of-star
broad long on-line surplus""".split()
READINGS = ["off-lines", "other-background", "single-pixels", "out-of-focus"]
PROJECT = Path(__file__).resolve().parent.parent


def built():
    """The program and the tests, as paths."""
    command = ["cargo", "build", "--release", "--features", "rule-switches", "--tests", "--bins"]
    command += ["--message-format=json"]
    lines = subprocess.run(command, cwd=PROJECT, check=True, stdout=subprocess.PIPE).stdout
    found = {}
    for line in lines.decode().splitlines():
        message = json.loads(line)
        if message.get("executable"):
            found[message["target"]["name"]] = message["executable"]
    return found["nightfix"], found["stars"]


def apart_deg(a, b):
    """Angle between two positions in degrees; Vincenty's formula holds at any distance."""
    (ra, dec), (ra2, dec2) = [[math.radians(v) for v in place] for place in (a, b)]
    d = ra2 - ra
    x = math.cos(dec) * math.sin(dec2) - math.sin(dec) * math.cos(dec2) * math.cos(d)
    cosine = math.sin(dec) * math.sin(dec2) + math.cos(dec) * math.cos(dec2) * math.cos(d)
    return math.degrees(math.atan2(math.hypot(math.cos(dec2) * math.sin(d), x), cosine))


def real(program, folder, environment):
    """Frames solved, frames wrong, and milliseconds of detection over all frames."""
    truths = json.loads((folder / "truth.json").read_text())
    frames = [str(folder / truth["file"]) for truth in truths]
    command = [program, "solve", "--json", "--ignore-header", "--threads", "1", *frames]
    out = subprocess.run(command, env=environment, stdout=subprocess.PIPE).stdout
    solved = wrong = 0
    detect_ms = 0.0
    for line, truth in zip(out.decode().splitlines(), truths, strict=True):
        answer = json.loads(line)
        detect_ms += answer["elapsed_ms"]["detect"] or 0.0
        if answer["status"] != "solved":
            continue
        solved += 1
        centre = [answer["centre"][key] for key in ("ra_deg", "dec_deg")]
        off = apart_deg(centre, [truth["centre_ra_deg"], truth["centre_dec_deg"]])
        wrong += off * 3600 > 3 * truth["scale_arcsec_per_px"]
    return solved, wrong, len(truths), detect_ms


def painted(stars, frames, environment):
    """What the test says of the frames with one and with two defects."""
    command = [stars, "--ignored", "--nocapture", "many_frames"]
    environment = environment | {"NIGHTFIX_SPOILED": frames}
    out = subprocess.run(command, env=environment, stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    text = (out.stderr + out.stdout).decode(errors="replace")
    match = re.search(r"(\d+) of (\d+) with one defect, (\d+) of \d+ with two", text)
    return match.groups() if match else ("a frame came out wrong", "", "")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--real", type=Path, default=os.environ.get("NIGHTFIX_REAL_FRAMES"))
    parser.add_argument("--painted", default="12000..12040")
    parser.add_argument("rules", nargs="*", metavar="RULE")
    options = parser.parse_args()
    program, stars = built()
    print("| without | real frames | wrong | detection | one defect | two defects |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    for rule in ["", *(options.rules or RULES + READINGS)]:
        environment = os.environ | {"NIGHTFIX_WITHOUT": rule}
        cells = ["", "", ""]
        if options.real:
            solved, wrong, count, time_ms = real(program, Path(options.real), environment)
            everything = real(program, Path(options.real), os.environ | {"NIGHTFIX_WITHOUT": ""})[3]
            cells = [f"{solved} of {count}", str(wrong), f"{time_ms / everything:.2f}"]
        one, count, two = painted(stars, options.painted, environment)
        cells += [f"{one} of {count}", f"{two} of {count}"]
        print(f"| {rule or 'nothing: all rules'} | " + " | ".join(cells) + " |")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
