"""What a sensor and a file format make of the light; for painted_by_galsim.py."""

import io

import galsim
import numpy as np
from astropy.io import fits
from PIL import Image


def exposed(recipe, exposure, level, smooth, deviate):
    """Electrons as they are read out, in the order of a real sensor: photon noise, reciprocity,
    dark defects, what an earlier exposure left, coupling, the full well, read noise."""
    rng, defects = recipe.rng, recipe.defects
    image = exposure.light
    image.array[:] += exposure.filtered(level, 0.9)
    earlier = image.copy() if "persistence" in defects else None
    image.addNoise(galsim.PoissonNoise(deviate))
    image.array[:] += exposure.counted.array
    if "nonlinear" in defects:
        image.addReciprocityFailure(exp_time=30.0, alpha=rng.uniform(0.002, 0.03), base_flux=1000.0)
        worst, well = rng.uniform(0.05, 0.3), recipe.well
        image.applyNonlinearity(lambda e: e * (1 - worst * np.clip(e / well, 0, 1)))
    if earlier is not None:
        shift = rng.integers(-60, 60, 2)
        ghost = np.minimum(np.roll(earlier.array, shift, (0, 1)), recipe.well) - level
        earlier.array[:] = np.maximum(ghost, 0)
        image.applyPersistence([earlier], [rng.uniform(0.01, 0.08)])
    pixel_defects(recipe, image.array)
    if "pixel coupling" in defects:
        share = rng.uniform(0.01, 0.05)
        side, diagonal = share, share / 8
        kernel = np.array([[diagonal, side, diagonal], [side, 0, side], [diagonal, side, diagonal]])
        kernel[1, 1] = 1 - kernel.sum()
        image.applyIPC(galsim.Image(kernel), edge_treatment="extend")
    if "bleeding" in defects:
        bleed(image.array, recipe.well)
    np.minimum(image.array, recipe.well, out=image.array)
    if smooth:
        spread = galsim.UncorrelatedNoise(recipe.read**2 + recipe.sky, rng=deviate, scale=1.0)
        spread = spread.convolvedWith(galsim.Gaussian(sigma=smooth)).withVariance(recipe.read**2 + recipe.sky)
        image.addNoise(spread)
    else:
        image.addNoise(galsim.GaussianNoise(deviate, sigma=recipe.read))
    return image.array


def pixel_defects(recipe, pixels):
    """Hot pixels and columns, tracks of particles: a few in each frame, many as a defect."""
    rng, well = recipe.rng, recipe.well
    height, width = pixels.shape
    many = "hot pixels" in recipe.defects
    count = rng.poisson(pixels.size * (rng.uniform(2e-4, 5e-3) if many else 5e-6))
    heat = np.minimum(rng.exponential(0.15 * well, count), well).astype(np.float32)
    np.add.at(pixels, (rng.integers(0, height, count), rng.integers(0, width, count)), heat)
    for _ in range(rng.integers(1, 20) if many else 0):
        top = rng.integers(0, height)
        pixels[top:, rng.integers(0, width)] += rng.uniform(0.02, 0.8) * well
    rays = rng.integers(40, 1000) if "cosmic rays" in recipe.defects else rng.poisson(2)
    for _ in range(rays):
        length = min(1 + rng.exponential(8), 80)
        angle, charge = rng.uniform(0, 2 * np.pi), np.exp(rng.uniform(np.log(300), np.log(8000)))
        steps = np.arange(0, length, 0.25)
        x = (rng.uniform(0, width) + steps * np.cos(angle)).astype(int)
        y = (rng.uniform(0, height) + steps * np.sin(angle)).astype(int)
        inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        np.add.at(pixels, (y[inside], x[inside]), np.float32(charge / 4))


def bleed(pixels, well):
    """Charge beyond the full well runs along the column, half up and half down."""
    over = np.maximum(pixels - well, 0)
    for x in np.flatnonzero(over.any(axis=0)):
        column = pixels[:, x]
        extra = over[:, x].copy()
        column -= extra
        for places in (range(len(column)), range(len(column) - 1, -1, -1)):
            carried = 0.0
            for y in places:
                carried += extra[y] / 2
                if carried > 0:
                    taken = min(carried, max(well - column[y], 0.0))
                    column[y] += taken
                    carried -= taken


def fits_file(recipe, pixels):
    rng = recipe.rng
    counts = pixels / recipe.gain + rng.uniform(100, 1500)
    # GalSim's quantize(): to the nearest whole number.
    image = galsim.Image(np.ascontiguousarray(counts, np.float32))
    image.quantize()
    hdu = fits.PrimaryHDU(np.clip(image.array, 0, 65535).astype(np.uint16))
    if rng.uniform() < 0.5:
        hdu.header["DATE-OBS"] = "2020-01-01T00:00:00"
        hdu.header["EXPTIME"] = 10.0
    file = io.BytesIO()
    hdu.writeto(file)
    return file.getvalue(), "fits"


class Stretch:
    """Grey values of a picture: an inverse hyperbolic sine of the electrons above a black."""

    def __init__(self, recipe, level):
        rng = recipe.rng
        sigma = np.sqrt(recipe.sky + recipe.read**2)
        # The darkest part of the sky is black, or nearly so.
        self.black = np.percentile(level, 5) - rng.uniform(-0.5, 4) * sigma
        self.soft = sigma * np.exp(rng.uniform(np.log(0.7), np.log(20)))
        self.whole = np.arcsinh(rng.uniform(0.1, 1) * recipe.well / self.soft)
        self.jpeg = "8-bit JPEG" in recipe.defects
        self.quality = int(rng.integers(50, 96))
        self.coloured = rng.uniform() < 0.5
        self.tint = rng.uniform(0.8, 1.0, 3)
        # Electrons of one grey value at the sky.
        above = (recipe.sky - self.black) / self.soft
        self.step = self.soft * self.whole / 255 * np.sqrt(1 + above**2)

    def file(self, pixels):
        grey = np.arcsinh((pixels - self.black) / self.soft) / self.whole * 255
        if self.coloured:
            grey = grey[..., None] * self.tint
        picture = Image.fromarray(np.clip(np.rint(grey), 0, 255).astype(np.uint8))
        file = io.BytesIO()
        if self.jpeg:
            picture.save(file, "JPEG", quality=self.quality)
        else:
            picture.save(file, "PNG")
        return file.getvalue(), "jpg" if self.jpeg else "png"
