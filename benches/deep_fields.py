#!/usr/bin/env python3
"""Solves narrow fields of a made-up deep sky with a deep star-index, and counts.

usage: python benches/deep_fields.py --index FILE.nfsky --work FOLDER [options] TABLE...

TABLE... are the tables of `index-builder synthesize`, the index was built from them with
`--no-fill-in`. Frames are drawn here, with nothing of nightfix but its program: other
projection code, other star images, other noise. They hold fainter stars than the catalogue
does, magnitudes scatter by 0.15, stars have moved since the catalogue's epoch, half of the
frames are mirrored, and the headers say nothing.

Only frames that show at least eight stars of the index count (the index keeps the brightest
stars of each HEALPix cell: `--depth`, `--kept`, both said by `index-builder build`). A frame is
right if centre and all four corners are within 2 pixels of the truth, else wrong.

Needs: numpy, astropy, astropy-healpix, pyarrow.
"""

import argparse
import json
import pathlib
import subprocess
import time

import numpy as np
import pyarrow.csv
from astropy import units as u
from astropy.io import fits
from astropy_healpix import HEALPix

WIDTH, HEIGHT = 1200, 800
# Epoch of the catalogue and of the frames.
YEARS = 2025.5 - 2016.0
BUCKETS = HEALPix(64, order="nested")


def degrees(radians):
    return np.rad2deg(radians)


def unit(ra_deg, dec_deg):
    ra, dec = np.deg2rad(ra_deg), np.deg2rad(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], -1)


class Sky:
    """The catalogue at the frames' epoch, sorted into buckets of a degree."""

    def __init__(self, tables, cache, depth, kept):
        if not cache.exists():
            np.save(cache, self.read(tables, depth, kept))
        self.stars = np.load(cache, mmap_mode="r")
        self.starts = np.searchsorted(self.stars["bucket"], np.arange(BUCKETS.npix + 1))
        self.indexed = int(self.stars["indexed"].sum())

    @staticmethod
    def read(tables, depth, kept):
        names = ["ra", "dec", "pmra", "pmdec", "phot_g_mean_mag"]
        parts = []
        for table in tables:
            options = pyarrow.csv.ConvertOptions(include_columns=names)
            read = pyarrow.csv.read_csv(table, convert_options=options)
            parts.append([np.nan_to_num(read[name].to_numpy()) for name in names])
        ra, dec, pmra, pmdec, mag = (np.concatenate(column) for column in zip(*parts))
        cell = cells(ra, dec, 2**depth)
        order = np.lexsort((mag, cell))
        first = np.r_[True, cell[order][1:] != cell[order][:-1]]
        run = np.arange(len(order)) - np.maximum.accumulate(np.where(first, np.arange(len(order)), 0))
        indexed = np.zeros(len(order), bool)
        indexed[order] = run < kept
        stars = np.zeros(
            len(ra),
            [("bucket", "i4"), ("ra", "f8"), ("dec", "f8"), ("mag", "f4"), ("indexed", "?")],
        )
        stars["bucket"] = cells(ra, dec, BUCKETS.nside)
        stars["ra"] = ra + pmra / 3.6e6 / np.cos(np.deg2rad(dec)) * YEARS
        stars["dec"] = dec + pmdec / 3.6e6 * YEARS
        stars["mag"], stars["indexed"] = mag, indexed
        return stars[np.argsort(stars["bucket"], kind="stable")]

    def around(self, ra_deg, dec_deg, radius_deg):
        """Stars in a cone and a little more."""
        near = BUCKETS.cone_search_lonlat(ra_deg * u.deg, dec_deg * u.deg, radius_deg * u.deg)
        return np.concatenate([self.stars[self.starts[i] : self.starts[i + 1]] for i in near])


def cells(ra_deg, dec_deg, nside):
    sky = HEALPix(nside, order="nested")
    return sky.lonlat_to_healpix(ra_deg * u.deg, dec_deg * u.deg).astype(np.int64)


class Pose:
    """Where a frame points: gnomonic projection about its centre (Calabretta & Greisen 2002)."""

    def __init__(self, ra, dec, width_deg, turn, mirrored):
        self.ra, self.dec, self.mirrored = ra, dec, mirrored
        # The field is the true angle between the midpoints of opposite edges.
        self.per_px = 2 * np.tan(np.deg2rad(width_deg) / 2) / WIDTH
        self.turn = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        a, d = np.deg2rad(ra), np.deg2rad(dec)
        self.axes = np.array([
            [-np.sin(a), np.cos(a), 0.0],
            [-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)],
            [np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)],
        ])

    def pixels(self, ra_deg, dec_deg):
        """0-based pixel positions; all stars are on the near side."""
        east, north, ahead = self.axes @ unit(ra_deg, dec_deg).T
        plane = self.turn @ np.stack([east / ahead, north / ahead]) / self.per_px
        if not self.mirrored:
            plane[0] = -plane[0]
        return plane[0] + (WIDTH - 1) / 2, plane[1] + (HEIGHT - 1) / 2

    def sky(self, x, y):
        """Directions of 0-based pixel positions, unit vectors."""
        plane = np.array([x - (WIDTH - 1) / 2, y - (HEIGHT - 1) / 2])
        if not self.mirrored:
            plane[0] = -plane[0]
        east, north = self.turn.T @ plane * self.per_px
        direction = self.axes.T @ np.array([east, north, 1.0])
        return direction / np.linalg.norm(direction)


def draw(rng, x, y, flux, fwhm, sky, read_noise):
    """16-bit pixels: Moffat star images (beta 3.5), photon and read noise."""
    image = np.full((HEIGHT, WIDTH), sky)
    beta = 3.5
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    reach = int(np.ceil(8 * fwhm))
    for sx, sy, total in zip(x, y, flux):
        x0, x1 = max(0, int(sx) - reach), min(WIDTH, int(sx) + reach + 2)
        y0, y1 = max(0, int(sy) - reach), min(HEIGHT, int(sy) + reach + 2)
        if x0 >= x1 or y0 >= y1:
            continue
        # Three by three points in each pixel.
        offsets = np.array([-1, 0, 1]) / 3
        fine_x = (np.arange(x0, x1)[:, None] + offsets).ravel()
        fine_y = (np.arange(y0, y1)[:, None] + offsets).ravel()
        r2 = (fine_y[:, None] - sy) ** 2 + (fine_x[None, :] - sx) ** 2
        moffat = (beta - 1) / (np.pi * core**2) * (1 + r2 / core**2) ** -beta
        patch = moffat.reshape(y1 - y0, 3, x1 - x0, 3).mean((1, 3))
        image[y0:y1, x0:x1] += total * patch
    noisy = rng.poisson(image) + rng.normal(0, read_noise, image.shape)
    return np.clip(noisy + 500, 0, 65535).astype(np.uint16)


def field(sky, rng, options):
    """A frame's pixels and truth, or None where it shows too few stars of the index."""
    ra, dec = rng.uniform(0, 360), degrees(np.arcsin(rng.uniform(-1, 1)))
    low, high = options.fields
    width_deg = low * (high / low) ** rng.uniform()
    if options.around:
        ra, dec = near(rng, *options.around[rng.integers(len(options.around))], width_deg)
    pose = Pose(ra, dec, width_deg, rng.uniform(0, 2 * np.pi), rng.uniform() < 0.5)
    stars = sky.around(ra, dec, width_deg)
    x, y = pose.pixels(stars["ra"], stars["dec"])
    inside = (x > 0) & (x < WIDTH - 1) & (y > 0) & (y < HEIGHT - 1)
    x, y, stars = x[inside], y[inside], stars[inside]
    if len(stars) == 0:
        return None
    fwhm, background, read_noise = rng.uniform(2, 5), rng.uniform(50, 1500), 6.0
    noise = np.sqrt(background + read_noise**2)
    # The frame's faintest stars (signal to noise 5 in an aperture of 1.5 FWHM): in half of the
    # frames a magnitude brighter to two fainter than what the catalogue holds here, in the other
    # half so that few of the stars of the index show, eight often enough.
    deepest = stars["mag"].max()
    limit = deepest + rng.uniform(-1, 2)
    kept = np.sort(stars["mag"][stars["indexed"]])
    if len(kept) >= 8 and rng.uniform() < 0.5:
        limit = kept[7 + int((len(kept) - 7) * rng.uniform() ** 2)] + 0.6
    aperture = np.sqrt(np.pi) * 0.75 * fwhm
    flux_at_limit = 5 * noise * aperture
    shown_mag = stars["mag"] + rng.normal(0, 0.15, len(stars))
    flux = flux_at_limit * 10 ** (-0.4 * (shown_mag - limit))
    visible = flux / (noise * aperture) >= 8
    if (visible & stars["indexed"]).sum() < 8:
        return None
    # Stars that the catalogue does not hold: their number doubles per magnitude.
    more = rng.poisson(len(stars) * max(0.0, 2 ** (limit - deepest) - 1))
    faint = deepest + np.log2(1 + rng.uniform(0, 1, more) * max(0.0, 2 ** (limit - deepest) - 1))
    if options.scrambled:
        x, y = rng.uniform(0, WIDTH, len(x)), rng.uniform(0, HEIGHT, len(y))
    x = np.r_[x, rng.uniform(0, WIDTH, more)]
    y = np.r_[y, rng.uniform(0, HEIGHT, more)]
    flux = np.r_[flux, flux_at_limit * 10 ** (-0.4 * (faint - limit))]
    pixels = draw(rng, x, y, flux, fwhm, background, read_noise)
    return pixels, pose, width_deg, int((visible & stars["indexed"]).sum())


def near(rng, ra, dec, radius_deg, width_deg):
    """The centre of a field that lies wholly within a circle."""
    off = (radius_deg - 0.61 * width_deg) * np.sqrt(rng.uniform())
    return moved(Pose(ra, dec, width_deg, 0.0, False).axes, off, rng.uniform(0, 2 * np.pi))


def moved(axes, off_deg, angle):
    """RA and Dec of the place so far from the direction ahead."""
    east, north, ahead = axes
    r = np.deg2rad(off_deg)
    at = np.cos(r) * ahead + np.sin(r) * (np.sin(angle) * east + np.cos(angle) * north)
    return degrees(np.arctan2(at[1], at[0])) % 360, degrees(np.arcsin(at[2]))


def options_near(rng, pose):
    """A position up to 10 degrees and a scale up to 5 % off."""
    ra, dec = moved(pose.axes, rng.uniform(0, 10), rng.uniform(0, 2 * np.pi))
    scale = degrees(pose.per_px) * 3600 * (1 + rng.uniform(-0.05, 0.05))
    return ["--at", f"{ra:.6f} {dec:.6f}", "--scale", f"{scale:.6f}"]


def solve(options, path, extra):
    command = [options.nightfix, "solve", path, "--json", "--ignore-header"]
    for index in options.index:
        command += ["--index", index]
    start = time.perf_counter()
    run = subprocess.run(command + extra, capture_output=True, text=True)
    return json.loads(run.stdout), 1000 * (time.perf_counter() - start)


def worst_px(pose, answer):
    """Distance of centre and corners from the truth, the largest, pixels."""
    points = [((WIDTH - 1) / 2, (HEIGHT - 1) / 2), (0, 0), (WIDTH - 1, 0),
              (WIDTH - 1, HEIGHT - 1), (0, HEIGHT - 1)]
    centre = answer["centre"]
    found = [(centre["ra_deg"], centre["dec_deg"])] + [tuple(c) for c in answer["corners_deg"]]
    apart = [np.linalg.norm(pose.sky(*p) - unit(*f)) for p, f in zip(points, found)]
    return max(apart) / pose.per_px, apart[0] / pose.per_px


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("tables", nargs="+")
    parser.add_argument("--index", required=True, action="append")
    parser.add_argument("--work", required=True, type=pathlib.Path)
    parser.add_argument("--nightfix", default="target/release/nightfix")
    parser.add_argument("--fields", nargs=2, type=float, default=[0.2, 1.0])
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--depth", type=int, default=9)
    parser.add_argument("--kept", type=int, default=8)
    parser.add_argument("--around", nargs=3, type=float, action="append",
                        metavar=("RA", "DEC", "RADIUS"), help="only fields within this circle, deg")
    parser.add_argument("--near", action="store_true", help="scale to 5 %%, position to 10 deg")
    parser.add_argument("--scrambled", action="store_true", help="stars in random places")
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    sky = Sky(options.tables, options.work / f"sky-{options.depth}-{options.kept}.npy",
              options.depth, options.kept)
    print(f"{len(sky.stars)} stars, {sky.indexed} of them in the index")
    rng = np.random.default_rng(options.seed)
    times, whole, holds, right, wrong, unsolved, looked = [], [], [], 0, [], [], 0
    path = options.work / "frame.fits"
    while right + len(wrong) + len(unsolved) < options.frames:
        looked += 1
        made = field(sky, rng, options)
        if made is None:
            continue
        pixels, pose, width_deg, shown = made
        fits.PrimaryHDU(pixels).writeto(path, overwrite=True)
        extra = options_near(rng, pose) if options.near else []
        answer, wall = solve(options, str(path), extra)
        what = f"{width_deg:.3f} deg at {pose.ra:.2f} {pose.dec:+.2f}, {shown} stars shown"
        whole.append(wall)
        if answer["status"] != "solved":
            unsolved.append(f"{what}: {(answer.get('diagnosis') or {}).get('code')}")
            (options.work / f"unsolved-{looked}.fits").write_bytes(path.read_bytes())
            continue
        times.append(answer["elapsed_ms"]["total"])
        worst, centre = worst_px(pose, answer)
        if worst > 2 or options.scrambled:
            wrong.append(f"{what}: {worst:.1f} px off")
            (options.work / f"wrong-{looked}.fits").write_bytes(path.read_bytes())
            continue
        right += 1
        stated = answer["centre"]["uncertainty_arcsec"] / (degrees(pose.per_px) * 3600)
        holds.append(centre <= stated)
    print(f"{options.frames} frames of {looked} drawn: {right} right, {len(wrong)} wrong, "
          f"{len(unsolved)} unsolved")
    for line in wrong:
        print("wrong   ", line)
    for line in unsolved:
        print("unsolved", line)

    def show(name, of):
        if of:
            half, most = np.percentile(of, [50, 95])
            print(f"{name}: median {half:.0f} ms, 95 % {most:.0f}, most {max(of):.0f}")

    show("solved, as the program says", times)
    show("all, the whole process", whole)
    if holds:
        print(f"stated 95 % radius holds the centre in {100 * np.mean(holds):.0f} %")


if __name__ == "__main__":
    main()
