#!/usr/bin/env python3
"""Puts centroids beside the Cramér-Rao bound and SEP's windowed ones, on the same stars.

usage: python benches/centroids_against_sep.py [--detections PATH] [--stars N] [--sky E] [--read E]

Needs: sep, astropy, numpy. Without --detections the program that prints them is built.

Isolated stars (Gaussian, Moffat with beta = 3), integrated over the pixels, lie on a grid with
random places within the pixel. Photon noise of star and sky, read noise and rounding to 16 bits
are added (1 electron per unit). Both programs see the same file.

Bound: inverse of the Fisher matrix of x, y and flux, from the expected value and the variance of
each pixel; SNR: flux over its bound in the same matrix. Each error is divided by the bound of its
own star; the ratios are plain root mean squares over both axes of all matched stars (within half a
FWHM or 1 px of the truth), so that a single stray star shows. Bias: mean of the errors along x and
y in units of 1/1000 px.

SEP: Background, extract at 3 sigma, flux_radius (0.5, up to 6 a), winpos with
sig = 2 / 2.35 half-flux radius, as its documentation advises.
"""

import argparse
import csv
import os
import subprocess
import sys
import tempfile

import numpy as np
import sep
from astropy.io import fits

from built import built

FWHM_PX = (1.5, 2.0, 3.0, 4.5, 6.0)
SNR = (20, 50, 100, 200)
BIAS_LEVEL = 200.0
# Sub-pixels along each axis over which a star is integrated.
FINE = 11


def gaussian(r2, fwhm):
    variance = (fwhm / 2.354820045) ** 2
    return np.exp(-0.5 * r2 / variance) / (2 * np.pi * variance)


def moffat(r2, fwhm, beta=3.0):
    alpha2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    return (beta - 1) / (np.pi * alpha2) * (1 + r2 / alpha2) ** -beta


def image_of(profile, fwhm, dx, dy, half):
    """Light of a star of flux 1 in the pixels around it."""
    step = (np.arange(FINE) - (FINE - 1) / 2) / FINE
    fine = (np.arange(-half, half + 1)[:, None] + step[None, :]).ravel()
    r2 = (fine[:, None] - dy) ** 2 + (fine[None, :] - dx) ** 2
    side = 2 * half + 1
    return profile(r2, fwhm).reshape(side, FINE, side, FINE).mean(axis=(1, 3))


def bounds(profile, fwhm, flux, dx, dy, half, sky, read):
    """Bound of x, of y (pixels) and of the flux."""
    h = 0.01
    image = image_of(profile, fwhm, dx, dy, half)
    along_x = image_of(profile, fwhm, dx + h, dy, half) - image_of(profile, fwhm, dx - h, dy, half)
    along_y = image_of(profile, fwhm, dx, dy + h, half) - image_of(profile, fwhm, dx, dy - h, half)
    parts = np.stack([flux * along_x / (2 * h), flux * along_y / (2 * h), image]).reshape(3, -1)
    # 1/12: rounding to whole numbers.
    variance = (flux * image + sky + read**2 + 1 / 12).ravel()
    return np.sqrt(np.diag(np.linalg.inv(parts / variance @ parts.T)))


def flux_for(profile, fwhm, snr, half, sky, read):
    """Flux of a star in the middle of a pixel that has this SNR."""
    low, high = 1.0, 1e8
    for _ in range(60):
        middle = np.sqrt(low * high)
        image = image_of(profile, fwhm, 0, 0, half)
        variance = middle * image + sky + read**2 + 1 / 12
        reached = middle * np.sqrt((image**2 / variance).sum())
        low, high = (middle, high) if reached < snr else (low, middle)
    return middle


def render(profile, fwhm, count, sky, read, random):
    """Pixels, and for each star: x, y, SNR, bound of x, bound of y."""
    half = int(np.ceil(5 * fwhm + 3))
    step = 2 * half + 8
    side = int(np.ceil(np.sqrt(count * len(SNR))))
    light = np.full((side * step, side * step), float(sky))
    stars = []
    # Faint and bright ones side by side, in random order.
    ranks = random.permutation(np.arange(side * side) % len(SNR))
    fluxes = [flux_for(profile, fwhm, snr, half, sky, read) for snr in SNR]
    for k, rank in enumerate(ranks):
        # Odd and even pixels: a grid of even ones alone looks like one colour of a mosaic.
        odd_x, odd_y = random.integers(0, 2, 2)
        cx, cy = k % side * step + step // 2 + odd_x, k // side * step + step // 2 + odd_y
        dx, dy = random.uniform(-0.5, 0.5, 2)
        image = image_of(profile, fwhm, dx, dy, half)
        light[cy - half : cy + half + 1, cx - half : cx + half + 1] += fluxes[rank] * image
        bx, by, _ = bounds(profile, fwhm, fluxes[rank], dx, dy, half, sky, read)
        stars.append((cx + dx, cy + dy, SNR[rank], bx, by))
    pixels = random.poisson(light) + random.normal(BIAS_LEVEL, read, light.shape)
    return np.clip(np.round(pixels), 0, 65535).astype(np.uint16), np.array(stars)


def with_sep(pixels):
    """Positions, 0-based."""
    data = pixels.astype(np.float32)
    background = sep.Background(data)
    data = data - background.back()
    found = sep.extract(data, 3.0, err=background.globalrms)
    half_flux, _ = sep.flux_radius(
        data, found["x"], found["y"], 6.0 * found["a"], 0.5, normflux=found["flux"], subpix=5
    )
    x, y, _ = sep.winpos(data, found["x"], found["y"], 2 / 2.35 * half_flux)
    return np.column_stack([x, y])


def with_nightfix(program, path):
    """Positions, 0-based, and stated errors."""
    run = subprocess.run([program, path], capture_output=True, text=True, check=False)
    if run.returncode != 0:
        sys.exit(f"{program}: {run.stderr.strip()}")
    rows = list(csv.DictReader(run.stdout.splitlines()))
    return np.array([[float(r[k]) for k in ("x_px", "y_px", "sigma_px")] for r in rows])


def match(stars, found, reach):
    """For each star the nearest position found, NaN where it is not within reach."""
    apart = np.hypot(stars[:, None, 0] - found[None, :, 0], stars[:, None, 1] - found[None, :, 1])
    nearest = apart.argmin(axis=1)
    hit = apart[np.arange(len(stars)), nearest] <= reach
    return nearest, hit


def summary(stars, found, reach):
    """Matched stars, rms of error over bound, bias along x and y (1/1000 px), rms in px."""
    nearest, hit = match(stars, found, reach)
    error = (found[nearest, :2] - stars[:, :2])[hit]
    bound = stars[hit, 3:5]
    if not len(error):
        return 0, np.nan, np.nan, np.nan, np.nan, np.nan
    ratio = np.sqrt(((error / bound) ** 2).mean())
    bx, by = 1e3 * error.mean(axis=0)
    stated = np.nan
    if found.shape[1] > 2:
        stated = np.sqrt(((error / found[nearest, 2][hit, None]) ** 2).mean())
    return hit.sum(), ratio, bx, by, np.sqrt((error**2).mean()), stated


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--detections", metavar="PATH")
    parser.add_argument("--stars", type=int, default=225, help="per width and SNR")
    parser.add_argument("--sky", type=float, default=100.0, help="electrons per pixel")
    parser.add_argument("--read", type=float, default=5.0, help="electrons per pixel")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    detections = options.detections or built("--bench", "detections")["detections"]
    random = np.random.default_rng(options.seed)
    print(f"sky {options.sky:g} e, read noise {options.read:g} e, sep {sep.__version__}")
    print("                         bound   nightfix: rms            bias x, y       error/   sep: rms                 bias x, y")
    print("profile   fwhm  snr       px   of        px  /bound     1/1000 px   stated   of        px  /bound     1/1000 px")
    worst = 0.0
    worse = []
    for name, profile in (("gaussian", gaussian), ("moffat 3", moffat)):
        for fwhm in FWHM_PX:
            pixels, stars = render(profile, fwhm, options.stars, options.sky, options.read, random)
            with tempfile.TemporaryDirectory() as folder:
                path = os.path.join(folder, "stars.fits")
                fits.writeto(path, pixels)
                ours = with_nightfix(detections, path)
            theirs = with_sep(pixels)
            for snr in SNR:
                these = stars[stars[:, 2] == snr]
                reach = max(1.0, fwhm / 2)
                a = summary(these, ours, reach)
                b = summary(these, theirs, reach)
                bound = np.sqrt((these[:, 3:5] ** 2).mean())
                print(
                    f"{name}  {fwhm:4.1f} {snr:4d}  {bound:7.4f}  {a[0]:3d}  {a[4]:8.4f} {a[1]:7.3f}  {a[2]:+6.1f} {a[3]:+6.1f}  {a[5]:7.2f}"
                    f"  {b[0]:3d}  {b[4]:8.4f} {b[1]:7.3f}  {b[2]:+6.1f} {b[3]:+6.1f}"
                )
                worst = max(worst, a[1])
                # Their scatter is common: of 450 errors a ratio is known to 3 %.
                if a[1] > 1.03 * b[1]:
                    worse.append((name, fwhm, snr, round(a[1] / b[1], 3)))
    print(f"largest ratio to the bound: {worst:.3f}")
    print(f"worse than sep by more than 3 %: {worse or 'nowhere'}")


if __name__ == "__main__":
    main()
