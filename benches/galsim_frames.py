"""Frames of the real sky with one or two defects each, painted with GalSim; for
painted_by_galsim.py. The number of a frame decides everything about it."""

import galsim
import numpy as np

from galsim_light import Exposure, star_images
from galsim_sensor import Stretch, exposed, fits_file
from galsim_sky import DEEPEST_MAG, Camera

WIDTHS_DEG = [(1, 2), (2, 5), (5, 15), (15, 50)]
DEFECTS = """none|defocus|coma|astigmatism|spherical|spikes|trailing|jump|wobble|field rotation
undersampled|nonlinear|bleeding|persistence|pixel coupling|brighter-fatter|hot pixels
cosmic rays|gradient|nebulae|mosaic|8-bit PNG|8-bit JPEG|few stars|smoothed noise"""
DEFECTS = DEFECTS.replace("\n", "|").split("|")
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
        # Half of the frames have a second one.
        others = {DEFECTS[rng.integers(1, len(DEFECTS))]} if rng.uniform() < 0.5 else set()
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

    def fill_well(self, electrons):
        """Makes the well this deep above the sky, with as many steps of the converter as before."""
        well = min(self.well, electrons + 2 * self.sky)
        self.gain, self.well = self.gain * well / self.well, well

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
        axis_px = [(side - 1) / 2 + rng.normal(0, 0.01) * side for side in (width, height)]
        # Share of the distance at the corner: telescopes, short lenses, wide ones.
        most = [0.002, 0.005, 0.015, 0.03][self.kind]
        bends = (rng.uniform(-most, most), rng.uniform(-most, most) / 3)
        turn, mirrored = rng.uniform(0, 2 * np.pi), rng.uniform() < 0.5
        return Camera(axis_deg, width_deg, (width, height), axis_px, turn, mirrored, bends)


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
    if "bleeding" in defects:
        # The tenth of the stars fills the well, so that the brighter ones overflow.
        recipe.fill_well(np.sort(stars[-1])[-10:][0] * images.psfs[0].beyond[0])
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
        # x, y (0-based pixels), magnitude, signal to noise, whether saturated.
        "stars": [
            [round(s["x"], 3), round(s["y"], 3), round(s["mag"], 2), round(s["snr"], 1), int(s["full"])]
            for s in seen
        ],
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
    wanted = np.exp(rng.uniform(np.log(12), np.log(800)))
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
        # Silicon takes 8 microseconds a photon, so that only some bright stars go through it.
        if sensor and 3e3 < flux < 1e5 and photons + flux < 5e5:
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
