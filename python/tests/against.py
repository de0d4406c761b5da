"""What the tests compare with: the program as cargo builds it, and the demonstration frames."""

import json
import os
import struct
import subprocess
from pathlib import Path

FRAMES = Path(__file__).resolve().parents[2] / "sample-fields/frames"
COMMAND = os.environ["NIGHTFIX_COMMAND"]
SCRIPTS = Path(os.environ["NIGHTFIX_SCRIPTS"])


def frames():
    """The demonstration frames."""
    return sorted(f for f in FRAMES.iterdir() if f.name[0].isdigit())


def lasting(record):
    """A record without the time that things took."""
    return {**record, "elapsed_ms": None}


def by_command(*arguments, command=COMMAND):
    """What the command prints for some frames, and its exit status."""
    done = subprocess.run([command, "solve", "--json", *arguments], capture_output=True, text=True)
    return [lasting(json.loads(line)) for line in done.stdout.splitlines()], done.returncode


def dng(pixels):
    """A mosaic of red, green / green, blue as DNG (DNG 1.7; TIFF 6.0), 16 bits, uncompressed."""
    height, width = pixels.shape
    data = pixels.astype("<u2").tobytes()
    fields = [
        (254, "L", [0]),
        (256, "L", [width]),
        (257, "L", [height]),
        (258, "H", [16]),
        (259, "H", [1]),
        (262, "H", [32803]),
        (271, "s", b"Own Maker\0"),
        (272, "s", b"Own Camera\0"),
        (273, "L", [8]),
        (277, "H", [1]),
        (278, "L", [height]),
        (279, "L", [len(data)]),
        (33421, "H", [2, 2]),
        (33422, "B", [0, 1, 1, 2]),
        (50706, "B", [1, 4, 0, 0]),
        (50708, "s", b"Own Maker Own Camera\0"),
        (50710, "B", [0, 1, 2]),
        (50711, "H", [1]),
        (50713, "H", [1, 1]),
        (50714, "H", [0]),
        (50717, "L", [65535]),
        (50728, "R", [1, 1] * 3),
    ]
    codes = {"B": (1, "B", 1), "s": (2, "B", 1), "H": (3, "H", 1), "L": (4, "L", 1), "R": (5, "L", 2)}
    file = bytearray(b"II*\0\0\0\0\0" + data)
    entries = b""
    for tag, kind, values in fields:
        code, form, per_value = codes[kind]
        packed = struct.pack(f"<{len(values)}{form}", *values)
        if len(packed) > 4:
            place = struct.pack("<L", len(file))
            file += packed + b"\0" * (len(packed) % 2)
        else:
            place = packed.ljust(4, b"\0")
        entries += struct.pack("<HHL", tag, code, len(values) // per_value) + place
    file[4:8] = struct.pack("<L", len(file))
    return bytes(file) + struct.pack("<H", len(fields)) + entries + b"\0" * 4
