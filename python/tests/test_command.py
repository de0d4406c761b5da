import os
import subprocess
import sys
import tempfile
import unittest
from pathlib import Path

from against import COMMAND, FRAMES, SCRIPTS, by_command, dng, frames
from astropy.io import fits

OURS = SCRIPTS / ("nightfix.exe" if os.name == "nt" else "nightfix")


def unsuffixed(words):
    """On Windows a program calls itself as its file is called."""
    return words.replace(b"nightfix.exe", b"nightfix")


class Command(unittest.TestCase):
    def test_it_answers_as_the_program_does(self):
        self.assertEqual(by_command(*frames(), command=OURS), by_command(*frames()))

    def test_its_words_and_exit_statuses_are_those_of_the_program(self):
        for arguments in (["--help"], ["--version"], ["solve"], ["solve", "no-such.fits"], ["sky"]):
            expected = subprocess.run([COMMAND, *arguments], capture_output=True)
            for ours in ([OURS], [sys.executable, "-m", "nightfix"]):
                found = subprocess.run([*ours, *arguments], capture_output=True)
                self.assertEqual(found.returncode, expected.returncode, arguments)
                self.assertEqual(found.stdout, unsuffixed(expected.stdout))
                self.assertEqual(found.stderr, unsuffixed(expected.stderr))

    def test_it_reads_camera_raw_and_writes_pictures(self):
        with tempfile.TemporaryDirectory() as folder:
            frame, picture = Path(folder) / "frame.dng", Path(folder) / "where.png"
            frame.write_bytes(dng(fits.getdata(FRAMES / "02-colour-mosaic.fits")))
            done = subprocess.run([OURS, "solve", frame, "--overlay", picture], capture_output=True)
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertEqual(picture.read_bytes()[:4], b"\x89PNG")


if __name__ == "__main__":
    unittest.main()
