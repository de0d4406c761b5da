"""The result of one frame: the object that ``nightfix solve --json`` prints, with types."""

from __future__ import annotations

import functools
import json
import types
import typing
from dataclasses import dataclass, field, fields, is_dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from astropy.wcs import WCS

_Record = dataclass(frozen=True, slots=True, kw_only=True)


@_Record
class Centre:
    """Where the centre of the frame points, pixel ((nx + 1) / 2, (ny + 1) / 2)."""

    ra_deg: float
    """ICRS right ascension, degrees, 0 to 360."""
    dec_deg: float
    """ICRS declination, degrees."""
    ra: str
    """Right ascension in hours, minutes, seconds."""
    dec: str
    """Declination in degrees, minutes, seconds."""
    uncertainty_arcsec: float
    """Radius that holds the true centre in 95 % of cases, arcseconds."""


@_Record
class CentreOfDate:
    """The centre as apparent place: true equator and equinox of date, as many mounts count."""

    ra_deg: float
    """Right ascension of date, degrees, 0 to 360."""
    dec_deg: float
    """Declination of date, degrees."""
    ra: str
    """Right ascension in hours, minutes, seconds."""
    dec: str
    """Declination in degrees, minutes, seconds."""
    time_utc: str
    """The date: the middle of the exposure, ISO 8601."""


@_Record
class Commanded:
    """Where the mount was told to point: the numbers as given, in the equinox they were given in."""

    ra_deg: float
    """Right ascension in ``equinox``, degrees."""
    dec_deg: float
    """Declination in ``equinox``, degrees."""
    from_: Literal["option", "header"]
    """Who said so: the caller or the frame. ``from`` in JSON."""
    equinox: Literal["J2000", "date"]
    """What the numbers count from."""
    equinox_assumed: bool
    """Nobody said so: J2000 is assumed."""
    name: str | None
    """The deep-sky object that was named instead of numbers."""


@_Record
class PointingError:
    """Found centre minus commanded position; the move that mends it is the opposite."""

    separation_arcmin: float
    """Angle on the sky, arcminutes."""
    position_angle_deg: float
    """From the commanded position to the found one, north through east, degrees."""
    east_arcmin: float
    """How far too far east, arcminutes, at the commanded position."""
    north_arcmin: float
    """How far too far north, arcminutes."""


@_Record
class Diagnosis:
    """What is wrong with an unsolved frame, from measurements."""

    code: str
    """``no-stars``, ``few-stars``, ``trailed``, ``out-of-focus`` and so on."""
    sentence: str
    """The same for people."""
    next: list[str]
    """What to do, likeliest to help first."""


@_Record
class Stars:
    """Stars of the frame."""

    detected: int | None
    """Found in the frame."""
    matched: int | None
    """Of these, matched with catalogue stars."""
    rms_px: float | None
    """Root mean square of the residuals, both axes together, pixels."""
    rms_arcsec: float | None
    """The same on the sky, arcseconds."""
    fwhm_px: float | None
    """Typical full width at half maximum, pixels."""
    refused: dict[str, int] | None
    """Places that were not taken for stars, by the name of the reason."""


@_Record
class Trend:
    """A plane and a bowl fitted to the half-flux diameters."""

    tilt_px: float
    """Change over the length of a diagonal in the direction of steepest change, pixels."""
    tilt_error_px: float
    """Standard error of ``tilt_px``, pixels."""
    tilt_angle_deg: float
    """Direction of steepest change, from the first pixel axis towards the second, degrees."""
    curvature_px: float
    """Corners minus centre, pixels."""


@_Record
class Quality:
    """What can be read off a frame besides: lengths in its pixels, brightness in its own units."""

    stars_measured: int
    """Stars that the values below come from."""
    fwhm_px: float | None
    """Full width at half maximum, pixels."""
    fwhm_arcsec: float | None
    """The same on the sky, arcseconds."""
    hfd_px: float | None
    """Diameter of the circle about a star that holds half its light, pixels."""
    hfd_arcsec: float | None
    """The same on the sky, arcseconds."""
    elongation: float | None
    """Long over short axis of what all stars have in common."""
    elongation_angle_deg: float | None
    """Long axis, from the first pixel axis towards the second, degrees, 0 to 180."""
    elongation_position_angle_deg: float | None
    """Long axis on the sky, north through east, degrees, 0 to 180."""
    sky_level: float
    """Brightness of the sky."""
    sky_noise: float
    """Its noise from pixel to pixel."""
    limiting_flux: float | None
    """Flux of a star with a signal-to-noise ratio of five."""
    limiting_magnitude: float | None
    """The same as a magnitude in the passband of the star-index."""
    saturated_share: float
    """Part of the pixels at the upper end of the range, 0 to 1."""
    centre_hfd_px: float | None
    """Half-flux diameter in the middle ninth of the frame, pixels."""
    corner_hfd_px: list[float | None]
    """The same in the corner ninths: (1, 1), (nx, 1), (nx, ny), (1, ny)."""
    trend: Trend | None
    """How the half-flux diameter changes over the frame."""


@_Record
class SkyObject:
    """A deep-sky object that the frame shows or that its centre lies in."""

    name: str
    """Its best known designation."""
    popular_names: list[str]
    """What people call it."""
    also: list[str]
    """Its other designations."""
    type: str
    """What it is, in words."""
    ra_deg: float
    """ICRS right ascension, degrees."""
    dec_deg: float
    """ICRS declination, degrees."""
    size_arcmin: list[float] | None
    """Major and minor axis, arcminutes."""
    position_angle_deg: float | None
    """Major axis, north through east, degrees."""
    magnitude: float | None
    """V of the whole, else B."""
    pixel: list[float] | None
    """Pixel of its middle; ``None`` where that lies outside."""


@_Record
class WcsKeywords:
    """World coordinates as FITS keywords have them."""

    ctype: list[str]
    """CTYPE1, CTYPE2."""
    crpix: list[float]
    """CRPIX1, CRPIX2: pixels, the first one is 1."""
    crval: list[float]
    """CRVAL1, CRVAL2: ICRS, degrees."""
    cd: list[list[float]]
    """CD1_1 CD1_2, CD2_1 CD2_2: degrees per pixel."""
    sip: dict[str, float] | None
    """Keywords of the SIP convention: ``A_ORDER``, ``A_2_0`` and so on."""


@_Record
class Search:
    """Counters of the search."""

    order: Literal["spiral", "whole-sky"] | None
    """Outward from a commanded position, or everywhere."""
    cells: int | None
    """Sky cells read."""
    radius_deg: float | None
    """Largest distance from the start that was searched, degrees."""
    candidates: int | None
    """Candidates verified."""


@_Record
class ElapsedMs:
    """How long each stage took, milliseconds."""

    read: float | None
    """Reading the frame."""
    detect: float | None
    """Finding its stars."""
    match: float | None
    """Quads, search and verification."""
    fit: float | None
    """Final fit."""
    judge: float | None
    """Frame quality and diagnosis."""
    total: float | None
    """Everything."""


@_Record
class Result:
    """One frame's result: what ``nightfix solve --json`` prints, under the same names."""

    schema: str
    """Name and number of the schema of these names."""
    file: str
    """Name of the file; empty for an array."""
    status: Literal["solved", "unsolved", "error"]
    """What became of the frame."""
    reason: str | None
    """Why there is no position."""
    diagnosis: Diagnosis | None
    """What is wrong with an unsolved frame, and what to do next."""
    centre: Centre | None
    """Where the frame's centre points, ICRS."""
    centre_of_date: CentreOfDate | None
    """The same of date, where the time of the exposure is known."""
    scale_arcsec_per_px: float | None
    """Pixel scale at the centre, arcseconds per pixel."""
    rotation_deg: float | None
    """Position angle of 'up' on the displayed frame, north through east, degrees."""
    mirrored: bool | None
    """With north up, east would lie to the right."""
    field_deg: list[float] | None
    """Width and height, degrees: the angle between the midpoints of opposite edges."""
    corners_deg: list[list[float] | None] | None
    """RA and Dec, degrees, of the pixels (1, 1), (nx, 1), (nx, ny), (1, ny)."""
    matched_part_px: list[float] | None
    """What the matched stars fill, where that is a part of the frame only: first and last pixel along
    x, first and last along y, from 1."""
    objects: list[SkyObject] | None
    """Deep-sky objects, the most prominent first."""
    commanded: Commanded | None
    """Where the mount was told to point."""
    pointing_error: PointingError | None
    """Found minus commanded."""
    sync: dict[str, Any] | None
    """What to sync the mount to: see ``solution.schema.json``."""
    target: dict[str, Any] | None
    """Where the target lies; null without one, as here."""
    focus_star: dict[str, Any] | None
    """A star to focus on; null where none was asked for, as here."""
    earlier: dict[str, Any] | None
    """How an earlier frame lies; null where none was named, as here."""
    stars: Stars
    """Stars of the frame."""
    quality: Quality | None
    """What can be read off the frame besides."""
    log10_chance_of_false_match: float | None
    """Decimal logarithm of the probability that the match arose by chance, all trials counted."""
    wcs: WcsKeywords | None
    """World coordinates as FITS keywords have them."""
    search: Search
    """Counters of the search."""
    cautions: list[str]
    """What a person should know before acting on this."""
    elapsed_ms: ElapsedMs
    """How long it took."""
    _json: str = field(repr=False, compare=False)
    _size: tuple[int, int] = field(repr=False, compare=False)

    @property
    def solved(self) -> bool:
        """True where there is a position."""
        return self.status == "solved"

    def to_json(self) -> str:
        """The object that ``nightfix solve --json`` prints, one line."""
        return self._json

    def to_dict(self) -> dict[str, Any]:
        """The same as plain dictionaries and lists."""
        record: dict[str, Any] = json.loads(self._json)
        return record

    def to_header(self) -> dict[str, Any]:
        """WCS keywords of FITS 4.0 and of the SIP convention, for any FITS library.

        Raises ValueError where the frame is not solved.
        """
        if self.wcs is None:
            raise ValueError(f"not solved: {self.reason}")
        keywords: dict[str, Any] = {"WCSAXES": 2, "RADESYS": "ICRS"}
        for axis in (1, 2):
            keywords[f"CTYPE{axis}"] = self.wcs.ctype[axis - 1]
            keywords[f"CUNIT{axis}"] = "deg"
            keywords[f"CRPIX{axis}"] = self.wcs.crpix[axis - 1]
            keywords[f"CRVAL{axis}"] = self.wcs.crval[axis - 1]
            for other in (1, 2):
                keywords[f"CD{axis}_{other}"] = self.wcs.cd[axis - 1][other - 1]
        keywords.update(self.wcs.sip or {})
        return keywords

    def to_wcs(self) -> WCS:
        """The same as an ``astropy.wcs.WCS``, with the shape of the frame. Needs astropy.

        Its methods count pixels from 0 or 1 as they are told; ``pixel_to_world`` counts from 0, in
        the order x, y, so that ``array[y, x]`` of ``solve_array`` is meant.

        Raises ValueError where the frame is not solved.
        """
        from astropy.io.fits import Header
        from astropy.wcs import WCS

        wcs = WCS(Header(self.to_header()))
        wcs.pixel_shape = self._size
        return wcs


@functools.cache
def _types(record: type) -> dict[str, Any]:
    return typing.get_type_hints(record)


def _typed(kind: Any, value: Any) -> Any:
    """``value`` as JSON has it, as ``kind``."""
    if value is None:
        return None
    if isinstance(kind, types.UnionType):
        kind = next(k for k in typing.get_args(kind) if k is not type(None))
    if is_dataclass(kind):
        return _record(kind, value)
    if typing.get_origin(kind) is list:
        (item,) = typing.get_args(kind)
        return [_typed(item, each) for each in value]
    return value


def _record(kind: Any, value: dict[str, Any], **more: Any) -> Any:
    hints = _types(kind)
    # What a later version adds is in the JSON, and nothing here.
    names = [f.name for f in fields(kind) if not f.name.startswith("_")]
    return kind(**{name: _typed(hints[name], value[name.rstrip("_")]) for name in names}, **more)


def result(text: str, size: list[int]) -> Result:
    """The result whose JSON is ``text``, of a frame of ``size`` pixels along x and y."""
    made: Result = _record(Result, json.loads(text), _json=text, _size=(size[0], size[1]))
    return made
