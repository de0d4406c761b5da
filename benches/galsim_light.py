"""Star images of GalSim and the electrons that they leave on a sensor; for painted_by_galsim.py.

Lengths are pixels throughout: GalSim's arcsec are taken as pixels.
"""

import galsim
import numpy as np

# Sub-pixels of the star image that stamps are drawn from.
FINE = 3
# Stamps end here, so that a frame is painted within seconds; wider light is below the noise but
# for the few brightest stars.
LARGEST_REACH = 90


class Psf:
    """A star image: of flux 1, with the pixel in it, its light's centre on the position."""

    def __init__(self, profile):
        image = galsim.Convolve(profile, galsim.Pixel(1.0)).drawImage(
            nx=2 * LARGEST_REACH * FINE + 1, ny=2 * LARGEST_REACH * FINE + 1,
            scale=1 / FINE, method="no_pixel", dtype=float,
        )
        # A star lies where its adaptive moments do (Hirata & Seljak 2003), not where the pupil's
        # axis does: coma moves the light away from that.
        moments = galsim.hsm.FindAdaptiveMom(image, strict=False, guess_sig=2.0 * FINE)
        centre = moments.moments_centroid if moments.moments_status == 0 else image.true_center
        offset = (centre - image.true_center) / FINE
        self.profile = profile.shift(-offset.x, -offset.y)
        self.drawn = galsim.InterpolatedImage(
            image, x_interpolant="quintic", normalization="flux", flux=1.0
        ).shift(-offset.x, -offset.y)
        light = np.clip(image.array / image.array.sum(), 0, None) * FINE**2
        # Pixels whose noise a matched filter takes in.
        self.noise_px = float(FINE**2 / (light**2).sum())
        y, x = np.indices(light.shape) - LARGEST_REACH * FINE
        ring = (np.hypot(x, y) / FINE).astype(int).ravel()
        brightest = np.zeros(LARGEST_REACH * 2)
        np.maximum.at(brightest, ring, light.ravel())
        # The brightest light at this distance or farther.
        self.beyond = np.maximum.accumulate(brightest[::-1])[::-1]
        self.width_px = 2 * np.sqrt(self.noise_px / (4 * np.pi)) * 1.1774

    def reach(self, flux, least):
        """Half the side of the stamp beyond which the star gives less than `least` a pixel."""
        faint = np.searchsorted(-self.beyond, -least / flux)
        return int(np.clip(faint + 2, 5, LARGEST_REACH))


class StarImages:
    """The star images of a frame: one, or several from the axis to the corner, where each star's
    is turned into its direction from the axis."""

    def __init__(self, profile_at, varies):
        self.places = np.array([0.1, 0.35, 0.6, 0.85]) if varies else np.zeros(1)
        self.psfs = [Psf(profile_at(place)) for place in self.places]
        self.varies = varies

    def of(self, dx, dy, corner_px):
        """Which image a star so far from the axis has, and by how much it is turned (radians)."""
        zone = int(np.argmin(np.abs(self.places - np.hypot(dx, dy) / corner_px)))
        return self.psfs[zone], float(np.arctan2(dy, dx)) if self.varies else 0.0


def star_images(rng, defects):
    """Draws the air, the optics and the mount of a frame at random."""
    fwhm = float(np.exp(rng.uniform(np.log(1.6), np.log(4.0))))
    if "undersampled" in defects:
        fwhm = rng.uniform(0.6, 1.1)
    air = [
        lambda: galsim.Kolmogorov(fwhm=fwhm),
        lambda: galsim.Moffat(beta=rng.uniform(2.2, 4.5), fwhm=fwhm),
        # Air of 25 m outer scale, stretched to this width.
        lambda: von_karman(fwhm, rng.uniform(0.08, 0.2)),
    ][rng.integers(3)]()
    optics, varies = optics_of(rng, defects, fwhm)
    guiding = galsim.Shear(g=rng.uniform(0, 0.08), beta=rng.uniform(0, np.pi) * galsim.radians)
    motion, turning = motion_of(rng, defects, fwhm)

    def profile_at(place):
        parts = [air.shear(guiding), optics(place), *motion, *turning(place)]
        return galsim.Convolve([part for part in parts if part is not None])

    return StarImages(profile_at, varies or "field rotation" in defects)


def von_karman(fwhm, r0):
    air = galsim.VonKarman(lam=550, r0=r0, L0=25.0)
    return air.dilate(fwhm / air.calculateFWHM())


def optics_of(rng, defects, fwhm):
    """The optics' image at a distance from the axis (0 to 1), None where it does not matter."""
    airy = float(fwhm * rng.uniform(0.15, 0.4))
    pupil = {"lam_over_diam": airy, "obscuration": rng.choice([0.0, 0.2, 0.33, 0.45])}
    if "spikes" in defects:
        pupil |= {
            "lam_over_diam": float(rng.uniform(0.5, 1.0)), "obscuration": 0.3,
            "nstruts": int(rng.choice([3, 4])), "strut_thick": rng.uniform(0.02, 0.06),
            "strut_angle": rng.uniform(0, 90) * galsim.degrees,
        }
    fixed, at_edge = {}, {}
    if "defocus" in defects:
        # Radius of the ring by ray optics: 8 sqrt(3) waves lam/D.
        radius = rng.uniform(1.5, 8.0)
        fixed["defocus"] = radius / (13.86 * pupil["lam_over_diam"]) * rng.choice([-1, 1])
    if "astigmatism" in defects:
        size = rng.uniform(1.0, 5.0) / (9.8 * pupil["lam_over_diam"])
        angle = rng.uniform(0, 2 * np.pi)
        fixed |= {"astig1": size * np.cos(angle), "astig2": size * np.sin(angle)}
        fixed["defocus"] = fixed.get("defocus", 0) + size * rng.uniform(-1, 1)
        fixed["trefoil1"] = size * rng.uniform(-0.3, 0.3)
    if "spherical" in defects:
        fixed["spher"] = rng.uniform(0.1, 0.5) / pupil["lam_over_diam"] * rng.choice([-1, 1])
    if "coma" in defects:
        size = rng.uniform(1.5, 7.0) / (17 * pupil["lam_over_diam"])
        # Noll's numbers 8 and 6: along x, that is outwards once the image is turned.
        at_edge = {"coma2": size, "astig2": size * rng.uniform(-0.8, 0.8)}
    if not defects & {"spikes", "defocus", "astigmatism", "spherical", "coma"} and rng.uniform() < 0.5:
        return (lambda place: None), False

    def image(place):
        waves = dict(fixed)
        for name, size in at_edge.items():
            # Coma grows with the distance from the axis, astigmatism with its square.
            share = place if name.startswith("coma") else place**2
            waves[name] = waves.get(name, 0.0) + size * share
        return galsim.OpticalPSF(**pupil, **waves, suppress_warning=True)

    return image, bool(at_edge)


def motion_of(rng, defects, fwhm):
    """What the mount does: the same for all stars, and what grows with the distance."""
    motion = []
    angle = rng.uniform(0, np.pi) * galsim.radians
    if "trailing" in defects:
        motion.append(galsim.Box(fwhm * rng.uniform(1.5, 10.0), 0.1).rotate(angle))
    if "jump" in defects:
        share, apart = rng.uniform(0.15, 0.45), fwhm * rng.uniform(1.2, 4.0)
        dot = galsim.Gaussian(sigma=0.1)
        motion.append((dot * (1 - share) + dot.shift(apart, 0) * share).rotate(angle))
    if "wobble" in defects:
        # A periodic error: longest at the turning points.
        swing, phase = fwhm * rng.uniform(0.7, 2.0), np.arange(24) * np.pi / 24
        across = rng.uniform(0, 0.5)
        dot = galsim.Gaussian(sigma=0.25, flux=1 / 24)
        places = zip(swing * np.cos(phase), across * swing * np.sin(2 * phase))
        motion.append(galsim.Sum([dot.shift(x, y) for x, y in places]).rotate(angle))
    at_corner = rng.uniform(3.0, 20.0)

    def turning(place):
        if "field rotation" not in defects:
            return []
        return [galsim.Box(0.1, max(0.1, at_corner * place))]

    return motion, turning


class Exposure:
    """Electrons expected on the sensor, and those of stars that are drawn photon by photon."""

    def __init__(self, width, height, mosaic):
        self.light = galsim.ImageF(np.zeros((height, width), np.float32), xmin=0, ymin=0, scale=1)
        self.counted = galsim.ImageF(np.zeros((height, width), np.float32), xmin=0, ymin=0, scale=1)
        rows, columns = np.indices((height, width)) & 1
        # 0 red, 1 green, 2 blue; the corner that comes first is drawn too.
        self.colours = None
        if mosaic is not None:
            self.colours = ((rows ^ mosaic[0]) + (columns ^ mosaic[1])).astype(np.uint8)

    def filtered(self, values, colour, bounds=None):
        """Behind the mosaic's filters: a star or sky of this B-V."""
        if self.colours is None:
            return values
        # Red and blue pixels against green ones, by common practice some 0.6 for a white star.
        passed = np.array([0.6 * 10 ** (0.3 * (colour - 0.6)), 1.0, 0.6 * 10 ** (-0.3 * (colour - 0.6))])
        colours = self.colours
        if bounds is not None:
            colours = colours[bounds.ymin : bounds.ymax + 1, bounds.xmin : bounds.xmax + 1]
        return values * passed.astype(np.float32)[colours]

    def add(self, profile, x, y, reach, colour=0.6):
        """Light of a profile with the pixel in it, drawn point by point."""
        bounds = self.around(x, y, reach)
        if not bounds.isDefined():
            return
        stamp = galsim.ImageF(bounds, scale=1)
        profile.drawImage(stamp, center=galsim.PositionD(x, y), method="no_pixel")
        self.light[bounds].array[:] += self.filtered(np.maximum(stamp.array, 0), colour, bounds)

    def add_photons(self, profile, x, y, reach, sensor, deviate):
        """A star in silicon: its charge pushes what comes later aside."""
        bounds = self.around(x, y, reach)
        if not bounds.isDefined():
            return
        stamp = galsim.ImageF(bounds, scale=1)
        profile.drawImage(
            stamp, center=galsim.PositionD(x, y), method="phot", sensor=sensor, rng=deviate,
            poisson_flux=True,
        )
        self.counted[bounds].array[:] += stamp.array

    def around(self, x, y, reach):
        middle_x, middle_y = int(round(x)), int(round(y))
        stamp = galsim.BoundsI(middle_x - reach, middle_x + reach, middle_y - reach, middle_y + reach)
        return stamp & self.light.bounds
