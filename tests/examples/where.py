#!/usr/bin/env python3
"""Where do these frames point? One line per frame: RA and Dec (J2000, degrees) and the file, or why
not. One nightfix answers all, several at once; the answers come as they are done.

    NIGHTFIX=target/release/nightfix python3 tests/examples/where.py FRAME...
"""

import json
import os
import subprocess
import sys
import threading


def ask(service, frames):
    for number, frame in enumerate(frames):
        request = {"id": number, "file": frame, "time_limit_s": 60}
        service.stdin.write(json.dumps(request) + "\n")
    # The end of input: nightfix ends when the last answer is out.
    service.stdin.close()


def main(frames):
    command = [os.environ.get("NIGHTFIX", "nightfix"), "serve"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8"
    ) as service:
        # Both ends of a pipe hold little: ask and listen at the same time.
        threading.Thread(target=ask, args=(service, frames)).start()
        unsolved = 0
        for line in service.stdout:
            answer = json.loads(line)
            frame = frames[answer["id"]]
            if answer["status"] == "solved":
                centre = answer["centre"]
                print(centre["ra_deg"], centre["dec_deg"], frame)
            else:
                unsolved += 1
                print(f"{answer['status']} ({answer['reason']})", frame)
    return 1 if unsolved or service.returncode else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
