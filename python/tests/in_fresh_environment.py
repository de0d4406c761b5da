#!/usr/bin/env python3
"""Installs a wheel into a fresh environment and runs the tests beside this file there.

    python python/tests/in_fresh_environment.py WHEEL --command target/release/nightfix

The command is the program as cargo builds it: the package has to give the same answers.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
import venv
from pathlib import Path

HERE = Path(__file__).resolve().parent


def asked(description: str | None) -> argparse.Namespace:
    """The wheel to install and the command to compare with."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("wheel", type=Path)
    parser.add_argument("--command", type=Path, required=True)
    return parser.parse_args()


def main() -> int:
    arguments = asked(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "environment"
        venv.create(home, with_pip=True)
        scripts = home / ("Scripts" if os.name == "nt" else "bin")
        python = scripts / "python"
        pip = [python, "-m", "pip", "install", "-q", "--disable-pip-version-check"]
        begin = time.monotonic()
        # Without anything else: the command needs nothing.
        subprocess.run([*pip, arguments.wheel], check=True)
        frame = HERE.parents[1] / "sample-fields/frames/01-power-cut.fits"
        subprocess.run([scripts / "nightfix", "solve", frame], check=True)
        print(f"installed and first frame solved in {time.monotonic() - begin:.1f} s", flush=True)
        if subprocess.run([*pip, "numpy", "astropy"], check=False).returncode != 0:
            print("\nskipped: the tests of the Python package, since pip has no numpy and astropy")
            return 0
        environment = {
            **os.environ,
            "NIGHTFIX_COMMAND": str(arguments.command.resolve()),
            "NIGHTFIX_SCRIPTS": str(scripts),
            "HOME": folder,
            "XDG_DATA_HOME": folder,
        }
        for name in ("NIGHTFIX_INDEX", "PYTHONPATH", "CLICOLOR_FORCE"):
            environment.pop(name, None)
        tests = [python, "-P", "-m", "unittest", "discover", "-s", HERE]
        return subprocess.run(tests, env=environment, cwd=folder, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
