import dataclasses
import tempfile
import threading
import unittest
from datetime import datetime, timezone
from pathlib import Path

import numpy
from against import FRAMES, by_command, dng, frames, lasting
from astropy.coordinates import SkyCoord
from astropy.io import fits

import nightfix


class Solve(unittest.TestCase):
    def test_the_same_as_the_command(self):
        expected, _ = by_command(*frames())
        self.assertEqual(len(expected), 10)
        found = [nightfix.solve(frame) for frame in frames()]
        for result, record in zip(found, expected, strict=True):
            self.assertEqual(lasting(result.to_dict()), record)
        self.assertEqual([r.solved for r in found], [True] * 9 + [False])
        self.assertEqual(found[-1].diagnosis.code, expected[-1]["diagnosis"]["code"])

    def test_every_key_has_a_field(self):
        def compare(record, value):
            if dataclasses.is_dataclass(record):
                names = [f.name for f in dataclasses.fields(record) if f.name[0] != "_"]
                self.assertEqual([name.rstrip("_") for name in names], list(value))
                for name in names:
                    compare(getattr(record, name), value[name.rstrip("_")])
            elif isinstance(record, list):
                for each, of_json in zip(record, value, strict=True):
                    compare(each, of_json)
            else:
                self.assertEqual(record, value)

        for name in ("01-power-cut.fits", "10-clouds.fits"):
            result = nightfix.solve(FRAMES / name)
            compare(result, result.to_dict())
        self.assertIsInstance(nightfix.solve(FRAMES / "01-power-cut.fits").quality, nightfix.Quality)

    def test_options_are_those_of_the_command(self):
        frame = FRAMES / "01-power-cut.fits"
        options = ["--at", "M 31", "--scale", "3.6", "--ignore-header", "--threads", "1"]
        (expected,), _ = by_command(*options, frame)
        found = nightfix.solve(frame, at="M 31", scale_arcsec_per_px=3.6, ignore_header=True, threads=1)
        self.assertEqual(lasting(found.to_dict()), expected)
        ra_deg, dec_deg = expected["commanded"]["ra_deg"], expected["commanded"]["dec_deg"]
        for at in [(ra_deg, dec_deg), SkyCoord(ra_deg, dec_deg, unit="deg").galactic]:
            again = nightfix.solve(frame, at=at, ignore_header=True)
            self.assertAlmostEqual(again.commanded.ra_deg, ra_deg, 6)
            self.assertEqual(again.centre, found.centre)

    def test_what_cannot_be(self):
        frame = FRAMES / "01-power-cut.fits"
        with self.assertRaisesRegex(nightfix.FrameNotReadable, "no-such.fits"):
            nightfix.solve("no-such.fits")
        with tempfile.TemporaryDirectory() as folder:
            short = Path(folder) / "short.fits"
            short.write_bytes(frame.read_bytes()[:100_000])
            with self.assertRaises(nightfix.FrameDamaged):
                nightfix.solve(short)
            with self.assertRaises(nightfix.StarIndexNotUsable):
                nightfix.solve(frame, indexes=[short])
        for wrong in (
            {"at": "nowhere at all"},
            {"at": (400.0, 0.0)},
            {"equinox": "tomorrow"},
            {"within_deg": -1.0},
            {"within_deg": 181.0},
            {"within_deg": 5.0, "ignore_header": True},
            {"scale_arcsec_per_px": float("nan")},
            {"time_limit_s": 1e300},
            {"threads": 0},
        ):
            with self.assertRaises(ValueError, msg=wrong):
                nightfix.solve(frame, **wrong)
        self.assertTrue(issubclass(nightfix.FrameDamaged, nightfix.NightfixError))

    def test_camera_raw_is_decoded_in_a_process_of_its_own(self):
        with tempfile.TemporaryDirectory() as folder:
            frame = Path(folder) / "frame.dng"
            frame.write_bytes(dng(fits.getdata(FRAMES / "02-colour-mosaic.fits")))
            (expected,), status = by_command(frame)
            self.assertEqual(status, 0)
            self.assertEqual(lasting(nightfix.solve(frame).to_dict()), expected)

    def test_other_threads_run_meanwhile(self):
        done = threading.Event()

        def work():
            for _ in range(3):
                nightfix.solve(FRAMES / "10-clouds.fits", threads=1)
            done.set()

        worker = threading.Thread(target=work)
        worker.start()
        turns = 0
        while not done.wait(0.001):
            turns += 1
        worker.join()
        # With the lock held there would be a turn between two calls at most.
        self.assertGreater(turns, 20)


class Arrays(unittest.TestCase):
    def test_pixels_in_memory_are_as_good_as_a_file(self):
        frame = FRAMES / "01-power-cut.fits"
        (expected,), _ = by_command("--ignore-header", frame)
        pixels = fits.getdata(frame)
        for array in (pixels, pixels.astype("<f4"), pixels.astype(">i4"), pixels.astype(float)):
            found = nightfix.solve_array(array)
            self.assertEqual(found.centre.ra_deg, expected["centre"]["ra_deg"], array.dtype)
            self.assertEqual(found.wcs.cd, expected["wcs"]["cd"])
            self.assertEqual(found.file, "")
        turned = nightfix.solve_array(pixels[::-1], first_row_on_top=True)
        self.assertAlmostEqual(turned.centre.ra_deg, expected["centre"]["ra_deg"], 4)
        self.assertAlmostEqual(turned.rotation_deg, expected["rotation_deg"], 2)

    def test_a_time_gives_a_position_of_date(self):
        frame = FRAMES / "01-power-cut.fits"
        (expected,), _ = by_command(frame)
        time = datetime.fromisoformat(expected["centre_of_date"]["time_utc"])
        found = nightfix.solve_array(fits.getdata(frame), mid_exposure=time)
        self.assertEqual(found.centre_of_date.time_utc, expected["centre_of_date"]["time_utc"])
        self.assertAlmostEqual(found.centre_of_date.ra_deg, expected["centre_of_date"]["ra_deg"], 5)
        with self.assertRaisesRegex(ValueError, "time zone"):
            nightfix.solve_array(fits.getdata(frame), mid_exposure=datetime(2025, 11, 18))

    def test_colours_and_blank_pixels(self):
        pixels = fits.getdata(FRAMES / "08-pole.fits").astype("f4")
        expected = nightfix.solve_array(pixels)
        colours = nightfix.solve_array(numpy.stack([pixels] * 3, axis=2))
        self.assertEqual(colours.centre, expected.centre)
        blank = numpy.ma.masked_greater(pixels, numpy.median(pixels) + 20_000)
        self.assertTrue(nightfix.solve_array(blank).solved)

    def test_what_is_no_frame(self):
        for wrong in (numpy.zeros(10), numpy.zeros((2, 3, 4)), numpy.zeros((0, 5))):
            with self.assertRaises(ValueError):
                nightfix.solve_array(wrong)
        with self.assertRaises(TypeError):
            nightfix.solve_array(numpy.array([["a", "b"]]))
        nothing = nightfix.solve_array(numpy.zeros((300, 400), "u1"))
        self.assertEqual((nothing.status, nothing.diagnosis.code), ("unsolved", "no-stars"))


class Wcs(unittest.TestCase):
    """Against astropy, whose WCS is WCSLIB (Calabretta & Greisen 2002) and its own SIP."""

    def test_it_is_the_position_of_every_pixel(self):
        distorted = 0
        for frame in frames()[:9]:
            result = nightfix.solve(frame)
            wcs = result.to_wcs()
            nx, ny = wcs.pixel_shape
            corners = [(1, 1), (nx, 1), (nx, ny), (1, ny)]
            distorted += result.wcs.sip is not None
            for pixel, (ra_deg, dec_deg) in zip(corners, result.corners_deg, strict=True):
                found = SkyCoord(*wcs.all_pix2world([pixel], 1)[0], unit="deg")
                off = found.separation(SkyCoord(ra_deg, dec_deg, unit="deg"))
                # Corners are printed to a millionth of a degree.
                self.assertLess(off.deg, 1e-6, frame.name)
            middle = wcs.pixel_to_world((nx - 1) / 2, (ny - 1) / 2)
            off = middle.separation(SkyCoord(result.centre.ra_deg, result.centre.dec_deg, unit="deg"))
            self.assertLess(off.deg, 2e-7, frame.name)
            self.assertEqual(middle.frame.name, "icrs")
        self.assertGreater(distorted, 0)

    def test_without_a_solution_there_is_none(self):
        with self.assertRaisesRegex(ValueError, "not solved"):
            nightfix.solve(FRAMES / "10-clouds.fits").to_wcs()


if __name__ == "__main__":
    unittest.main()
