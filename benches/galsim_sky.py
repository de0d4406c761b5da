"""Real stars, and where a camera with a bent lens shows them; for painted_by_galsim.py."""

import struct
import zlib

import numpy as np

MAGIC = b"NFCAT\x00\x01\x00"
DEEPEST_MAG = 11.0
EPOCH = 2000.0


def read_catalogue(path):
    """RA, Dec (deg, 2000), proper motions (mas/yr, RA with cos Dec), magnitude and B-V of the
    stars of an extract, laid out as index-builder/catalogue/README.md says."""
    data = path.read_bytes()
    if data[:8] != MAGIC:
        raise SystemExit(f"{path}: not an extract of bright stars (.nfcat)")
    count, _ = struct.unpack("<II", data[8:16])
    body = np.frombuffer(zlib.decompress(data[16:]), np.uint8)
    start = 0

    def column(rows, planes):
        nonlocal start
        part = body[start : start + rows * planes].reshape(planes, rows).astype(np.int64)
        start += rows * planes
        return (part << (8 * np.arange(planes)[:, None])).sum(axis=0)

    def signed(values):
        return np.where(values >= 1 << 15, values - (1 << 16), values)

    per_zone = column(180, 4)
    zone = np.repeat(np.arange(180), per_zone)
    steps = np.cumsum(column(count, 3))
    first = np.cumsum(per_zone) - per_zone
    # The first step of a zone counts from 0, so what was summed up before it is taken off.
    before = np.where(first > 0, steps[np.minimum(first, count) - 1], 0)
    ra = (steps - before[zone]) * 1e-4
    dec = zone - 90 + column(count, 2) * 1e-4
    pm_ra, pm_dec = signed(column(count, 2)), signed(column(count, 2))
    mag, colour = signed(column(count, 2)) / 100, column(count, 2)
    return {
        "ra": ra, "dec": dec, "pm_ra": pm_ra, "pm_dec": pm_dec, "mag": mag,
        "bv": np.where(colour == 32767, 0.6, signed(colour) / 100),
    }


def unit(ra_deg, dec_deg):
    """Unit vectors, the last axis is x, y, z."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


class Sky:
    """The catalogue's stars at one epoch."""

    def __init__(self, path, epoch):
        stars = read_catalogue(path)
        years = epoch - EPOCH
        cos_dec = np.maximum(np.cos(np.radians(stars["dec"])), 1e-6)
        ra = stars["ra"] + stars["pm_ra"] / 3.6e6 / cos_dec * years
        dec = stars["dec"] + stars["pm_dec"] / 3.6e6 * years
        self.vectors = unit(ra, dec)
        self.mag, self.bv = stars["mag"], stars["bv"]

    def shown(self, camera, margin_px=30):
        """Rows of the stars within the frame and a margin, brightest first, and their pixels."""
        reach = np.radians(camera.reach_deg)
        near = np.flatnonzero(self.vectors @ camera.axes[2] > np.cos(min(reach, 1.4)))
        x, y = camera.pixels(self.vectors[near])
        inside = (np.abs(x - (camera.width - 1) / 2) < camera.width / 2 + margin_px) & (
            np.abs(y - (camera.height - 1) / 2) < camera.height / 2 + margin_px
        )
        order = np.argsort(self.mag[near[inside]], kind="stable")
        return near[inside][order], x[inside][order], y[inside][order]


class Camera:
    """Gnomonic projection about the optical axis (Calabretta & Greisen 2002, A&A 395, 1077) and
    a radial distortion: r (1 + bend (r / corner)^2 + bend2 (r / corner)^4).

    Pixels are 0-based in stored order. The axis meets the frame at `axis_px`.
    """

    def __init__(self, axis_deg, width_deg, size, axis_px, turn, mirrored, bends):
        self.width, self.height = size
        self.per_px = 2 * np.tan(np.radians(width_deg) / 2) / self.width
        self.corner_px = np.hypot(self.width, self.height) / 2
        # A little more than the corner: distortion and the axis beside the middle.
        self.reach_deg = np.degrees(np.arctan(self.corner_px * self.per_px * 1.15)) + 0.2
        self.axis_px, self.bends, self.mirrored = np.asarray(axis_px), bends, mirrored
        self.turn = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        a, d = np.radians(axis_deg)
        self.axes = np.array([
            [-np.sin(a), np.cos(a), 0.0],
            [-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)],
            unit(*axis_deg),
        ])

    def bent(self, r_px):
        """Factor by which the lens stretches the distance from the axis."""
        t = (r_px / self.corner_px) ** 2
        return 1 + self.bends[0] * t + self.bends[1] * t * t

    def pixels(self, vectors):
        """x and y of directions on the near side."""
        east, north, ahead = self.axes @ np.asarray(vectors).T
        plane = self.turn @ np.stack([east / ahead, north / ahead]) / self.per_px
        if not self.mirrored:
            plane[0] = -plane[0]
        plane = plane * self.bent(np.hypot(*plane))
        return plane[0] + self.axis_px[0], plane[1] + self.axis_px[1]

    def direction(self, x, y):
        """Unit vector that a pixel shows."""
        shown = np.array([x, y], float) - self.axis_px
        plane = shown.copy()
        # The distortion is a few per cent, so that each round adds a digit or more.
        for _ in range(30):
            plane = shown / self.bent(np.hypot(*plane))
        if not self.mirrored:
            plane[0] = -plane[0]
        east, north = self.turn.T @ plane * self.per_px
        vector = self.axes.T @ np.array([east, north, 1.0])
        return vector / np.linalg.norm(vector)

    def truth(self):
        """Centre, scale and rotation at the frame's middle: the direction of growing y there."""
        x, y = (self.width - 1) / 2, (self.height - 1) / 2
        middle = self.direction(x, y)
        along_x = (self.direction(x + 1, y) - self.direction(x - 1, y)) / 2
        along_y = (self.direction(x, y + 1) - self.direction(x, y - 1)) / 2
        area = np.dot(np.cross(along_x, along_y), middle)
        ra = np.degrees(np.arctan2(middle[1], middle[0])) % 360
        dec = np.degrees(np.arcsin(middle[2]))
        a, d = np.radians([ra, dec])
        east = np.array([-np.sin(a), np.cos(a), 0])
        north = np.array([-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)])
        return {
            "ra_deg": ra,
            "dec_deg": dec,
            "scale_arcsec_per_px": float(np.degrees(np.sqrt(abs(area))) * 3600),
            "rotation_of_y_deg": float(np.degrees(np.arctan2(along_y @ east, along_y @ north))),
            "mirrored": bool(self.mirrored),
        }
