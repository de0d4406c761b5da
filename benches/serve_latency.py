#!/usr/bin/env python3
"""How long a warm service takes for a frame near a known position, stage by stage.

    python benches/serve_latency.py sample-fields/frames/01-power-cut.fits "92.41 23.78" [RUNS [OTHER]]

Prints the median of the whole request as its caller sees it, of that without reading the frame, and
of the stages, in milliseconds. NIGHTFIX names the program; target/release/nightfix without it. With
OTHER, another build of the program, each request goes to both in turn, so that what else the machine
does weighs on both alike, and the ratio of the two is printed as well: its median over all requests.
"""

import json
import os
import statistics
import subprocess
import sys
import time

WARM_UP = 10


class Service:
    def __init__(self, program):
        self.process = subprocess.Popen(
            [program, "serve"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8"
        )
        self.beyond, self.whole, self.stages = [], [], []

    def ask(self, number, frame, at):
        begin = time.perf_counter()
        request = {"id": number, "file": frame, "at": at}
        self.process.stdin.write(json.dumps(request) + "\n")
        self.process.stdin.flush()
        answer = json.loads(self.process.stdout.readline())
        took_ms = 1000 * (time.perf_counter() - begin)
        if answer["status"] != "solved":
            raise SystemExit(f"{frame}: {answer['reason']}")
        if number >= WARM_UP:
            self.whole.append(took_ms)
            self.stages.append(answer["elapsed_ms"])
            self.beyond.append(took_ms - answer["elapsed_ms"]["read"])

    def end(self):
        self.process.stdin.close()
        self.process.wait()

    def report(self):
        whole, beyond = map(statistics.median, (self.whole, self.beyond))
        print(f"whole {whole:.1f}, beyond reading {beyond:.1f}")
        for stage in self.stages[0]:
            print(f"  {stage} {statistics.median(s[stage] for s in self.stages):.1f}")


def main(frame, at, runs=200, other=None):
    programs = [os.environ.get("NIGHTFIX", "target/release/nightfix")]
    programs += [other] if other else []
    services = [Service(program) for program in programs]
    for number in range(WARM_UP + int(runs)):
        for service in services:
            service.ask(number, frame, at)
    for program, service in zip(programs, services):
        service.end()
        print(program, end=": ")
        service.report()
    if other:
        one, two = (service.beyond for service in services)
        ratio = statistics.median(a / b for a, b in zip(one, two))
        print(f"the first takes {ratio:.2f} of the time of the second")


if __name__ == "__main__":
    main(*sys.argv[1:])
