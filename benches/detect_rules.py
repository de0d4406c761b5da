#!/usr/bin/env python3
"""What each rule and reading of the detector earns: each is switched off in turn.

    python benches/detect_rules.py [--real FOLDER] [--painted 12000..12100]
        [--galsim FOLDER --numbers 0..170 [--pictures FOLDER]] [RULE | RULE,RULE,...]...

Rules joined by commas are switched off together: two that serve one case hide each other.

Builds the program, the tests and `detections` with the feature `rule-switches`, and runs them with
NIGHTFIX_WITHOUT=RULE over
  - the real frames of FOLDER (truth.json beside them, as for the tests): solved blind, and wrong,
    where the centre lies more than three pixels from the truth;
  - fields of the real sky painted with each defect that the rules are there for, alone and with
    another one drawn at random (tests/stars/spoiled), with the rules in brackets; none may be wrong,
    which would end the test;
  - frames that benches/painted_by_galsim.py has painted: solved, wrong, centroids and processor time
    as there;
  - the same frames from 170 on, developed as benches/toned_pictures.py does it: solved, wrong.
Prints a row of a Markdown table for each: benches/DETECT.md.
"""

import argparse
import functools
import json
import os
import re
import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

from built import built
from painted_by_galsim import Variant, cells_of, judged, numbers, painted as painted_frames
from toned_pictures import answered, pictures, state

# Rules and readings, each with the painted defect that it is there for.
RULES = {
    "sharp-peak": "HotPixels", "streak": "BadColumns", "steep-core": "CosmicRays",
    "spike": "CosmicRays", "faint": "Nebula", "part-of-star": "BrightStars",
    "broad": "AmplifierGlow", "long": "Satellites",
    "other-background": "Nebula", "single-pixels": "Binned", "out-of-focus": "OutOfFocus",
    "coarse": "StretchedJpeg", "middle": "Horizon", "without-points": "HotPixels",
}
HEADS = ["without", "real frames", "wrong", "defects", "with one", "with one and another"]
HEADS += ["GalSim", "wrong", "centroids px", "ms, median / 95 %", "developed", "wrong"]
DEVELOPED = "170..250"


def real(program, folder, environment):
    """Frames solved and frames wrong."""
    truths = json.loads((folder / "truth.json").read_text())
    frames = [str(folder / truth["file"]) for truth in truths]
    command = [program, "solve", "--json", "--ignore-header", *frames]
    out = subprocess.run(command, env=environment, stdout=subprocess.PIPE).stdout
    states = []
    for line, truth in zip(out.decode().splitlines(), truths, strict=True):
        truth |= {"ra_deg": truth["centre_ra_deg"], "dec_deg": truth["centre_dec_deg"]}
        states.append(judged(json.loads(line), truth)[0])
    return [f"{states.count('solved')} of {len(truths)}", str(states.count("wrong"))]


def painted(stars, frames, defect, rule):
    """Frames solved with this defect alone and with another one, and how many there are of each."""
    command = [stars, "--ignored", "--nocapture", "many_frames"]
    environment = os.environ | {"NIGHTFIX_SPOILED": frames, "NIGHTFIX_WITHOUT": rule}
    environment |= {"NIGHTFIX_DEFECT": defect} if defect else {}
    out = subprocess.run(command, env=environment, stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    text = (out.stderr + out.stdout).decode(errors="replace")
    match = re.search(r"(\d+) of (\d+) with one defect, (\d+) of \d+ with two", text)
    if not match:
        raise SystemExit(f"without {rule or 'nothing'}, {defect}: a wrong position, or a fault\n{text}")
    one, count, two = map(int, match.groups())
    return Counter(one=one, two=two, count=count)


def by_galsim(rule, options, programs):
    """Solved of the solvable ones, wrong, centroids, times."""
    truths = painted_frames(SimpleNamespace(frames=options.galsim, seed=1, numbers=options.numbers))
    variant = Variant(
        f"'{rule}' NIGHTFIX_WITHOUT={rule}",
        SimpleNamespace(program=programs["nightfix"], detections=programs["detections"]),
    )
    with ThreadPoolExecutor(2) as pool:
        results = list(pool.map(lambda truth: variant.measure(options.galsim, truth), truths))
    solved, _, wrong, centroids, times = cells_of(truths, results)
    return [solved, wrong, centroids, times]


def developed(rule, options, program):
    """Developed pictures solved, and wrong."""
    what = SimpleNamespace(
        frames=options.galsim, pictures=options.pictures, numbers=DEVELOPED, seed=1, sixteen=False
    )
    solvable = [(truth, note) for truth, note in pictures(what) if truth["solvable"]]
    environment = os.environ | {"NIGHTFIX_WITHOUT": rule}

    def one(picture):
        truth, note = picture
        return state(answered(program, options.pictures / note["file"], environment), truth, note)

    with ThreadPoolExecutor(2) as pool:
        states = list(pool.map(one, solvable))
    wrong = sum(state.startswith("wrong") for state in states)
    return [f"{states.count('solved')} of {len(states)}", str(wrong)]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--real", type=Path, default=os.environ.get("NIGHTFIX_REAL_FRAMES"))
    parser.add_argument("--painted", metavar="FIRST..END", default="12000..12100")
    parser.add_argument("--galsim", type=Path, metavar="FOLDER")
    parser.add_argument("--numbers", type=numbers, default="0..170", metavar="FIRST..END|N,N")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="needs --galsim")
    parser.add_argument("rules", nargs="*", metavar="RULE")
    options = parser.parse_args()
    programs = built("--features", "rule-switches", "--bin", "nightfix", "--test", "stars",
                     "--bench", "detections")
    print("| " + " | ".join(HEADS) + " |")
    print("| --- " + "| ---: " * (len(HEADS) - 1) + "|")
    with_all = functools.cache(lambda defect: painted(programs["stars"], options.painted, defect, ""))
    for rule in ["", *(options.rules or RULES)]:
        environment = os.environ | {"NIGHTFIX_WITHOUT": rule}
        cells = real(programs["nightfix"], options.real, environment) if options.real else ["", ""]
        defects = sorted({RULES[one] for one in rule.split(",") if one}) or [""]
        # A Counter's own sum() would begin with 0.
        totals = lambda counts: functools.reduce(Counter.__add__, counts)
        without = totals(painted(programs["stars"], options.painted, d, rule) for d in defects)
        before = totals(map(with_all, defects))
        cells.append(", ".join(defects))
        cells += [f"{without[n]} ({before[n]}) of {before['count']}" for n in ("one", "two")]
        cells += by_galsim(rule, options, programs) if options.galsim else [""] * 4
        pictures_too = options.galsim and options.pictures
        cells += developed(rule, options, programs["nightfix"]) if pictures_too else [""] * 2
        print(f"| {rule.replace(',', ', ') or 'nothing: all rules'} | " + " | ".join(cells) + " |")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
