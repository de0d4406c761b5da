#!/usr/bin/env python3
"""Makes the wheels of nightfix for all systems, on one Linux machine with Rust and pip.

    python python/make_wheels.py                     all of them, into target/wheels
    python python/make_wheels.py linux-arm64         one

Linux is linked by zig (a package of PyPI) against glibc 2.17, Windows by mingw (Debian:
gcc-mingw-w64-x86-64), macOS by zig too: Apple's libraries are named only, and found where the wheel is
used. A system whose tools cannot be had is skipped, and that is said; the
exit status is 1 where a wheel that could be made was not, or is too large.
"""

import argparse
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TARGET = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
TOOLS = TARGET / "python-tools"
# PyPI's limit for one file of a project that did not ask for more.
MOST_BYTES = 100_000_000

ZIG = ["--zig", "--compatibility", "manylinux_2_17"]
# Libraries of macOS that the program calls, and where they are on every Mac.
FRAMEWORKS = "/System/Library/Frameworks"
MACOS = {
    "lib/libobjc.tbd": "/usr/lib/libobjc.A.dylib",
    **{
        f"{name}.framework/{name}.tbd": f"{FRAMEWORKS}/{name}.framework/Versions/{version}/{name}"
        for name, version in (("CoreFoundation", "A"), ("CoreServices", "A"), ("Foundation", "C"))
    },
}
SYSTEMS = {
    "linux-x86-64": ("x86_64-unknown-linux-gnu", ZIG),
    "linux-arm64": ("aarch64-unknown-linux-gnu", ZIG),
    "windows-x86-64": ("x86_64-pc-windows-gnu", []),
    "macos-arm64": ("aarch64-apple-darwin", ["--zig"]),
    "macos-x86-64": ("x86_64-apple-darwin", ["--zig"]),
}


def tools() -> Path:
    """The folder of maturin and zig, installed where they are not yet."""
    scripts = TOOLS / "bin"
    if not (scripts / "maturin").exists():
        venv.create(TOOLS, with_pip=True)
        install = [scripts / "pip", "install", "-q", "maturin>=1.9,<2", "ziglang"]
        subprocess.run(install, check=True)
    return scripts


def lacks(target: str) -> str | None:
    """What the machine lacks for a target, if anything."""
    if "windows" in target and not shutil.which("x86_64-w64-mingw32-gcc"):
        return "x86_64-w64-mingw32-gcc is not installed"
    if subprocess.run(["rustup", "target", "add", target], check=False).returncode != 0:
        return f"rustup cannot install {target}"
    return None


def named_libraries() -> list[str]:
    """What names Apple's libraries to the linker: their symbols are looked up where they are loaded."""
    folder = TOOLS / "macos"
    for name, place in MACOS.items():
        stub = folder / name
        stub.parent.mkdir(parents=True, exist_ok=True)
        stub.write_text(
            "--- !tapi-tbd\ntbd-version: 4\ntargets: [ x86_64-macos, arm64-macos ]\n"
            f"install-name: '{place}'\n...\n"
        )
    return ["--", "-C", f"link-arg=-F{folder}", "-C", f"link-arg=-L{folder / 'lib'}"]


def make(scripts: Path, target: str, options: list[str], out: Path) -> bool:
    """Builds one wheel; False where that fails."""
    environment = {**os.environ, "PATH": f"{scripts}{os.pathsep}{os.environ['PATH']}"}
    if "apple" in target:
        options = [*options, *named_libraries()]
    done = subprocess.run(
        [scripts / "maturin", "build", "--release", "--target", target, "--out", out, *options],
        cwd=ROOT / "python",
        env=environment,
        check=False,
    )
    return done.returncode == 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("systems", nargs="*", metavar="SYSTEM", help=", ".join(SYSTEMS))
    parser.add_argument("--out", type=Path, default=TARGET / "wheels")
    arguments = parser.parse_args()
    unknown = [name for name in arguments.systems if name not in SYSTEMS]
    if unknown:
        parser.error(f"no such system: {', '.join(unknown)}")
    scripts, failed = tools(), []
    for name in arguments.systems or SYSTEMS:
        target, options = SYSTEMS[name]
        if reason := lacks(target):
            print(f"skipped: the wheel for {name}: {reason}")
        elif not make(scripts, target, options, arguments.out):
            failed.append(name)
    for wheel in sorted(arguments.out.glob("*.whl")):
        size = wheel.stat().st_size
        print(f"{wheel.name}: {size / 1e6:.1f} MB")
        if size > MOST_BYTES:
            failed.append(wheel.name)
    if failed:
        print(f"failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
