#!/usr/bin/env python3
"""Whether another build of the program gives the same answers, to the last printed digit.

    python benches/same_answers.py PROGRAM OTHER [LEADING...]

solves the demonstration frames with both and compares all of the JSON but the time that it took. What
runs OTHER where this system cannot comes behind it:

    python benches/same_answers.py target/release/nightfix \\
        target/aarch64-unknown-linux-gnu/release/nightfix qemu-aarch64 -L /usr/aarch64-linux-gnu
"""

import json
import subprocess
import sys
from pathlib import Path

FRAMES = Path(__file__).resolve().parents[1] / "sample-fields/frames"


def answers(command):
    """One object for each demonstration frame."""
    frames = sorted(path.name for path in FRAMES.iterdir() if path.name[0].isdigit())
    run = subprocess.run(
        [*command, "solve", "--json", *frames], cwd=FRAMES, capture_output=True, check=False
    )
    records = [json.loads(line) for line in run.stdout.splitlines()]
    if len(records) != len(frames):
        sys.exit(f"{command[-1]}: {len(records)} answers for {len(frames)} frames\n{run.stderr}")
    for record in records:
        del record["elapsed_ms"]
    return records


def differences(place, first, second):
    """Where two values differ: place, and both."""
    if isinstance(first, dict) and isinstance(second, dict) and first.keys() == second.keys():
        for key in first:
            yield from differences(f"{place}/{key}", first[key], second[key])
    elif isinstance(first, list) and isinstance(second, list) and len(first) == len(second):
        for index, pair in enumerate(zip(first, second)):
            yield from differences(f"{place}/{index}", *pair)
    elif first != second:
        yield place, first, second


def main():
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    program, other = (str(Path(name).resolve()) for name in sys.argv[1:3])
    ours, theirs = answers([program]), answers([*sys.argv[3:], other])
    unlike = [d for a, b in zip(ours, theirs) for d in differences(a["file"], a, b)]
    for place, first, second in unlike:
        print(f"{place}: {first}, there {second}")
    solved = sum(record["status"] == "solved" for record in ours)
    print(f"{len(ours)} frames, {solved} solved, {len(unlike)} values differ")
    return 1 if unlike else 0


if __name__ == "__main__":
    sys.exit(main())
