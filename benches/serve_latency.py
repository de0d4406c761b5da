#!/usr/bin/env python3
"""How long a warm service takes for a frame near a known position, stage by stage.

    python benches/serve_latency.py sample-fields/frames/01-power-cut.fits "92.41 23.78" [RUNS]

Prints the median of the whole request as its caller sees it, of that without reading the frame, and
of the stages, in milliseconds. NIGHTFIX names the program; target/release/nightfix without it.
"""

import json
import os
import statistics
import subprocess
import sys
import time

WARM_UP = 10


def main(frame, at, runs=100):
    command = [os.environ.get("NIGHTFIX", "target/release/nightfix"), "serve"]
    service = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8"
    )
    whole, stages = [], []
    for number in range(WARM_UP + int(runs)):
        begin = time.perf_counter()
        service.stdin.write(json.dumps({"id": number, "file": frame, "at": at}) + "\n")
        service.stdin.flush()
        answer = json.loads(service.stdout.readline())
        took_ms = 1000 * (time.perf_counter() - begin)
        if answer["status"] != "solved":
            raise SystemExit(f"{frame}: {answer['reason']}")
        if number >= WARM_UP:
            whole.append(took_ms)
            stages.append(answer["elapsed_ms"])
    service.stdin.close()
    service.wait()
    beyond = [took - stage["read"] for took, stage in zip(whole, stages)]
    print(f"whole {statistics.median(whole):.1f}, beyond reading {statistics.median(beyond):.1f}")
    for stage in stages[0]:
        print(f"  {stage} {statistics.median(s[stage] for s in stages):.1f}")


if __name__ == "__main__":
    main(*sys.argv[1:])
