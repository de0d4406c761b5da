"""Frames of the real sky with one or two defects each, painted with GalSim; for
painted_by_galsim.py. The number of a frame decides everything about it."""

import io

import galsim
import numpy as np
from astropy.io import fits
from PIL import Image

from galsim_light import Exposure, star_images
from galsim_sky import DEEPEST_MAG, Camera

WIDTHS_DEG = [(1, 2), (2, 5), (5, 15), (15, 50)]
DEFECTS = """none|defocus|coma|astigmatism|spherical|spikes|trailing|jump|wobble|field rotation
undersampled|nonlinear|bleeding|persistence|pixel coupling|brighter-fatter|hot pixels
cosmic rays|gradient|nebulae|mosaic|8-bit PNG|8-bit JPEG|few stars|smoothed noise""".replace("\n", "|").split("|")
SEEN_SNR = 8.0
LEAST_STARS = 8
MOST_STARS = 5000


class Recipe:
    """What is drawn at random first: field, defects, sensor and depth."""

    def __init__(self, seed, number):
        self.number = number
        self.rng = rng = np.random.default_rng([seed, number])
        self.kind = number % len(WIDTHS_DEG)
        self.defect = DEFECTS[number // len(WIDTHS_DEG) % len(DEFECTS)]
        # A third of the frames have a second one.
        others = {DEFECTS[rng.integers(1, len(DEFECTS))]} if rng.uniform() < 1 / 3 else set()
        self.defects = ({self.defect} | others) - {"none"}
        if self.defects >= {"8-bit PNG", "8-bit JPEG"}:
            self.defects -= {"8-bit PNG"} if self.defect == "8-bit JPEG" else {"8-bit JPEG"}
        self.eight_bit = bool(self.defects & {"8-bit PNG", "8-bit JPEG"})
        self.camera = self.draw_camera()
        self.sky = float(np.exp(rng.uniform(np.log(20), np.log(3000))))
        self.read = rng.uniform(1.5, 12.0)
        self.well = float(np.exp(rng.uniform(np.log(15e3), np.log(100e3))))
        # 12 to 16 bits over the well.
        self.gain = self.well / 2 ** rng.uniform(12, 15.8)
        self.vignetting = rng.uniform(0, 0.5 if "gradient" in self.defects else 0.15)

    def draw_camera(self):
        rng = self.rng
        low, high = WIDTHS_DEG[self.kind]
        width_deg = low * (high / low) ** rng.uniform()
        # 0.3 to 4 megapixels, half of them below 0.5.
        area = 0.3e6 * (4 / 0.3) ** (rng.uniform() ** 3)
        aspect = rng.choice([1.0, 4 / 3, 3 / 2, 16 / 9])
        width = int(np.sqrt(area * aspect)) // 2 * 2
        height = int(width / aspect) // 2 * 2
        axis_deg = (rng.uniform(0, 360), np.degrees(np.arcsin(rng.uniform(-1, 1))))
        axis_px = [(width - 1) / 2 + rng.normal(0, 0.01) * width, (height - 1) / 2 + rng.normal(0, 0.01) * height]
        # Share of the distance at the corner: telescopes, short lenses, wide ones.
        most = [0.002, 0.005, 0.015, 0.03][self.kind]
        bends = (rng.uniform(-most, most), rng.uniform(-most, most) / 3)
        return Camera(axis_deg, width_deg, (width, height), axis_px, rng.uniform(0, 2 * np.pi), rng.uniform() < 0.5, bends)


def paint(seed, number, sky):
    """The bytes of a frame's file, what its name ends in, and the truth."""
    recipe = Recipe(seed, number)
    rng, camera, defects = recipe.rng, recipe.camera, recipe.defects
    deviate = galsim.BaseDeviate(int(rng.integers(1, 2**31)))
    images = star_images(rng, defects)
    mosaic = tuple(rng.integers(0, 2, 2)) if "mosaic" in defects else None
    exposure = Exposure(camera.width, camera.height, mosaic)
    level = sky_level(recipe)
    stretch = Stretch(recipe, level) if recipe.eight_bit else None
    step = stretch.step if stretch else recipe.gain
    noise = recipe.sky + recipe.read**2 + step**2 / 12
    smooth = rng.uniform(0.5, 1.0) if "smoothed noise" in defects else 0.0
    if smooth:
        # Smoothed noise hides wide stars by its power at low frequencies.
        noise += (recipe.sky + recipe.read**2) * max(1.0, 4 * np.pi * smooth**2)
    stars = draw_stars(recipe, sky, images, noise)
    seen = add_stars(recipe, exposure, images, stars, noise, deviate)
    if "nebulae" in defects:
        add_nebulae(recipe, exposure, images)
    pixels = exposed(recipe, exposure, level, smooth, deviate)
    truth = camera.truth() | {
        "number": number, "class": recipe.kind, "defect": recipe.defect,
        "defects": sorted(defects), "width": camera.width, "height": camera.height,
        "sky_e": recipe.sky, "read_e": recipe.read, "gain": recipe.gain, "well_e": recipe.well,
        "bends": camera.bends, "width_px": images.psfs[0].width_px,
        "seen": int(sum(1 for star in seen if star["mag"] <= DEEPEST_MAG and star["catalogue"])),
        "stars": [[round(s["x"], 3), round(s["y"], 3), round(s["mag"], 2), round(s["snr"], 1), int(s["full"])] for s in seen],
    }
    truth["solvable"] = truth["seen"] >= LEAST_STARS
    data, ending = stretch.file(pixels) if stretch else fits_file(recipe, pixels)
    return data, ending, truth


def sky_level(recipe):
    """Sky of each pixel, electrons, with what the lens takes away."""
    camera, rng = recipe.camera, recipe.rng
    y, x = np.mgrid[-1 : 1 : camera.height * 1j, -1 : 1 : camera.width * 1j].astype(np.float32)
    slope = rng.uniform(0.3, 0.9) if "gradient" in recipe.defects else rng.uniform(0, 0.1)
    angle = rng.uniform(0, 2 * np.pi)
    along = x * np.cos(angle) + y * np.sin(angle)
    level = recipe.sky * (1 + slope * (along / 1.42 + 0.3 * along**2))
    return level * (1 - recipe.vignetting * (x * x + y * y) / 2)


def draw_stars(recipe, sky, images, noise):
    """x, y, magnitude, B-V, whether from the catalogue, and flux of the stars to paint."""
    camera, rng = recipe.camera, recipe.rng
    rows, x, y = sky.shown(camera)
    mag, colour = sky.mag[rows], sky.bv[rows]
    shown = mag + rng.normal(0, 0.1, len(mag))
    wanted = np.exp(rng.uniform(np.log(20), np.log(1500)))
    if "few stars" in recipe.defects:
        wanted = rng.uniform(6, 25)
    inside = (x > 0) & (x < camera.width - 1) & (y > 0) & (y < camera.height - 1)
    ordered = np.sort(shown[inside])
    # The faintest star that is seen; where the catalogue ends before, up to two magnitudes deeper.
    limit = ordered[int(wanted)] if wanted < len(ordered) else DEEPEST_MAG + rng.uniform(0, 2)
    area = np.median([psf.noise_px for psf in images.psfs])
    # SNR = F / sqrt(F + area noise) solved for F.
    flux_at_limit = SEEN_SNR**2 / 2 * (1 + np.sqrt(1 + 4 * area * noise / SEEN_SNR**2))
    deeper = limit + 2.0 - DEEPEST_MAG
    if deeper > 0:
        # Numbers double with each magnitude beyond the catalogue.
        count = min(rng.poisson(inside.sum() * (2**deeper - 1)), MOST_STARS)
        faint = DEEPEST_MAG + np.log2(1 + rng.uniform(0, 1, count) * (2**deeper - 1))
        x = np.r_[x, rng.uniform(0, camera.width - 1, count)]
        y = np.r_[y, rng.uniform(0, camera.height - 1, count)]
        shown, mag = np.r_[shown, faint], np.r_[mag, faint]
        colour = np.r_[colour, np.full(count, 0.8)]
    from_catalogue = np.arange(len(x)) < len(rows)
    keep = np.argsort(shown, kind="stable")[:MOST_STARS]
    keep = keep[shown[keep] < limit + 2.0]
    flux = flux_at_limit * 10 ** (-0.4 * (shown - limit))
    return [c[keep] for c in (x, y, mag, colour, from_catalogue, flux)]


def add_stars(recipe, exposure, images, stars, noise, deviate):
    """Paints them, and says which are seen in the frame."""
    camera = recipe.camera
    middle_x, middle_y = (camera.width - 1) / 2, (camera.height - 1) / 2
    sensor = None
    if "brighter-fatter" in recipe.defects and exposure.colours is None:
        sensor = galsim.SiliconSensor(strength=recipe.rng.uniform(1, 4), rng=deviate)
    seen, photons = [], 0.0
    for x, y, mag, colour, from_catalogue, flux in zip(*stars):
        from_axis = (x - camera.axis_px[0], y - camera.axis_px[1])
        psf, angle = images.of(*from_axis, camera.corner_px)
        corner = np.hypot(x - middle_x, y - middle_y) / camera.corner_px
        flux = float(flux) * (1 - recipe.vignetting * min(corner, 1.2) ** 2)
        # A fifth of the noise of a pixel.
        reach = psf.reach(flux, 0.2 * np.sqrt(noise))
        turn = angle * galsim.radians
        if sensor and 3e3 < flux < 3e5 and photons + flux < 3e6:
            photons += flux
            exposure.add_photons(psf.profile.rotate(turn) * flux, x, y, reach, sensor, deviate)
        else:
            drawn = psf.drawn.rotate(turn) if angle else psf.drawn
            exposure.add(drawn * flux, x, y, reach, colour)
        # Of a mosaic half of the pixels pass nearly everything, the others 60 %.
        through = flux * (0.8 if exposure.colours is not None else 1.0)
        snr = through / np.sqrt(through + psf.noise_px * noise)
        inside = 0 <= x <= camera.width - 1 and 0 <= y <= camera.height - 1
        if snr >= SEEN_SNR and inside:
            full = flux * psf.beyond[0] + recipe.sky > 0.7 * recipe.well
            seen.append({"x": float(x), "y": float(y), "mag": float(mag), "snr": float(snr),
                         "full": full, "catalogue": bool(from_catalogue)})
    return seen


def add_nebulae(recipe, exposure, images):
    """Wide clouds with knots, and galaxies among the stars."""
    camera, rng = recipe.camera, recipe.rng
    noise = np.sqrt(recipe.sky + recipe.read**2)

    def place():
        return rng.uniform(0, camera.width), rng.uniform(0, camera.height)

    for _ in range(rng.integers(1, 7)):
        size = float(np.exp(rng.uniform(np.log(8), np.log(120))))
        light = galsim.Sersic(n=rng.uniform(0.5, 2.5), half_light_radius=size, trunc=4 * size)
        brightness = noise * np.exp(rng.uniform(np.log(0.5), np.log(10)))
        light = light.withFlux(2 * np.pi * size**2 * brightness)
        light = light.shear(g=rng.uniform(0, 0.6), beta=rng.uniform(0, np.pi) * galsim.radians)
        x, y = place()
        exposure.add(light, x, y, int(min(4 * size, 300)))
        for _ in range(rng.integers(0, 30)):
            dx, dy = rng.normal(0, size, 2)
            knot = galsim.Gaussian(fwhm=images.psfs[0].width_px * rng.uniform(1, 3))
            exposure.add(knot * (noise * np.exp(rng.uniform(3, 6))), x + dx, y + dy, 15)
    for _ in range(rng.integers(5, 60)):
        light = galsim.Sersic(n=rng.uniform(1, 2.5), half_light_radius=rng.uniform(1.5, 5))
        light = light.shear(g=rng.uniform(0, 0.6), beta=rng.uniform(0, np.pi) * galsim.radians)
        blurred = galsim.Convolve(light, galsim.Gaussian(fwhm=images.psfs[0].width_px))
        x, y = place()
        galaxy = blurred.withFlux(noise * float(np.exp(rng.uniform(3, 7))))
        stamp = exposure.around(x, y, 20)
        if stamp.isDefined():
            drawn = galsim.ImageF(stamp, scale=1)
            galaxy.drawImage(drawn, center=galsim.PositionD(x, y), method="no_pixel")
            exposure.light[stamp].array[:] += np.maximum(drawn.array, 0)


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
    count = rng.poisson(pixels.size * (rng.uniform(2e-4, 2e-3) if many else 5e-6))
    heat = np.minimum(rng.exponential(0.15 * well, count), well).astype(np.float32)
    np.add.at(pixels, (rng.integers(0, height, count), rng.integers(0, width, count)), heat)
    for _ in range(rng.integers(1, 5) if many else 0):
        top = rng.integers(0, height)
        pixels[top:, rng.integers(0, width)] += rng.uniform(0.02, 0.8) * well
    rays = rng.integers(40, 500) if "cosmic rays" in recipe.defects else rng.poisson(2)
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
        self.quality = int(rng.integers(70, 96))
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
