"""A frame in, a result out."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from os import PathLike
from typing import TYPE_CHECKING, Any, Literal

from . import _core
from ._result import Result, result

if TYPE_CHECKING:
    from astropy.coordinates import SkyCoord
    from numpy.typing import ArrayLike

_UNIX_EPOCH_JD = 2440587.5
_DAY_S = 86400.0


def solve(
    path: str | PathLike[str],
    *,
    at: str | tuple[float, float] | SkyCoord | None = None,
    equinox: Literal["j2000", "date"] | None = None,
    within_deg: float | None = None,
    focal_length_mm: float | None = None,
    pixel_size_um: float | None = None,
    scale_arcsec_per_px: float | None = None,
    ignore_header: bool = False,
    time_limit_s: float | None = None,
    indexes: Iterable[str | PathLike[str]] = (),
    threads: int | None = None,
) -> Result:
    """Say where the frame of a file points. Other Python threads run meanwhile.

    Everything but the path is optional, and says where the search begins, never where it ends;
    ``within_deg`` alone bounds it.

    path: the frame: FITS (gzip and tile-compressed too), TIFF, PNG, JPEG or a camera raw file.
    at: where the mount was told to point: RA and Dec in degrees, a SkyCoord, a text in hours and
        degrees ("05h34m31.9s +22d00m52s") or the name of a deep-sky object ("M 81").
    equinox: what ``at`` counts from: "j2000" (ICRS; assumed), or "date", of the middle of the
        exposure, as many mounts count.
    within_deg: search no farther than this from the commanded position, degrees.
    focal_length_mm: focal length, millimetres.
    pixel_size_um: size of a pixel of the file, binning included, micrometres.
    scale_arcsec_per_px: pixel scale, arcseconds per pixel.
    ignore_header: take nothing from the frame's metadata.
    time_limit_s: give up after this long, seconds, reading included.
    indexes: star-indexes besides the built-in one. Without any, those of NIGHTFIX_INDEX, and
        without that those of the data folder: as the command does.
    threads: work on this many threads; all cores without it. The result is the same.

    A frame without a solution is a result whose ``status`` is "unsolved". Raises FrameNotReadable,
    FrameDamaged, StarIndexNotUsable, or ValueError where an argument makes no sense.
    """
    options = _options(
        at=at,
        equinox=equinox,
        within_deg=within_deg,
        focal_length_mm=focal_length_mm,
        pixel_size_um=pixel_size_um,
        scale_arcsec_per_px=scale_arcsec_per_px,
        ignore_header=ignore_header,
        time_limit_s=time_limit_s,
        indexes=indexes,
        threads=threads,
    )
    return result(*_core.solve(path, options))


def solve_array(
    pixels: ArrayLike,
    *,
    at: str | tuple[float, float] | SkyCoord | None = None,
    equinox: Literal["j2000", "date"] | None = None,
    within_deg: float | None = None,
    focal_length_mm: float | None = None,
    pixel_size_um: float | None = None,
    scale_arcsec_per_px: float | None = None,
    mid_exposure: datetime | None = None,
    mosaic: bool | None = None,
    first_row_on_top: bool = False,
    nonlinear: bool = False,
    time_limit_s: float | None = None,
    indexes: Iterable[str | PathLike[str]] = (),
    threads: int | None = None,
) -> Result:
    """Say where a frame in memory points. Needs numpy. Other Python threads run meanwhile.

    pixels: brightness, shape (ny, nx), or (ny, nx, 3) for colours, which are averaged. Any kind of
        number; uint8, uint16 and float32 are taken as they are, NaN and masked values are blank.
        ``pixels[0, 0]`` is the pixel (1, 1) of the result.
    mid_exposure: the middle of the exposure, with its time zone. Gives ``centre_of_date``.
    mosaic: the pixels are, or are not, those of a colour mosaic; None: found out from them.
    first_row_on_top: ``pixels[0]`` is displayed at the top, as in pictures; in FITS it is not.
    nonlinear: the brightness is stretched or lossy, as in 8-bit pictures.

    Everything else as in ``solve``.
    """
    options = _options(
        at=at,
        equinox=equinox,
        within_deg=within_deg,
        focal_length_mm=focal_length_mm,
        pixel_size_um=pixel_size_um,
        scale_arcsec_per_px=scale_arcsec_per_px,
        ignore_header=False,
        time_limit_s=time_limit_s,
        indexes=indexes,
        threads=threads,
    )
    claims: _core.Claims = {
        "mosaic": mosaic,
        "first_row_on_top": first_row_on_top,
        "nonlinear": nonlinear,
        "mid_jd_utc": None if mid_exposure is None else _jd_utc(mid_exposure),
    }
    return result(*_core.solve_pixels(_plane(pixels), claims, options))


def _options(
    *, at: Any, indexes: Iterable[str | PathLike[str]], threads: int | None, **same: Any
) -> _core.Options:
    if threads is not None and not 1 <= threads <= 1024:
        raise ValueError(f"threads: 1 to 1024, not {threads}")
    if hasattr(at, "icrs"):
        at = (float(at.icrs.ra.deg), float(at.icrs.dec.deg))
        if same["equinox"] == "date":
            raise ValueError("equinox: a SkyCoord says by itself what it counts from")
    elif at is not None and not isinstance(at, str):
        ra_deg, dec_deg = at
        at = (float(ra_deg), float(dec_deg))
    return {"at": at, "indexes": list(indexes), "threads": threads, **same}  # type: ignore[typeddict-item]


def _jd_utc(time: datetime) -> float:
    if time.tzinfo is None:
        raise ValueError("mid_exposure: say in which time zone, for example tzinfo=timezone.utc")
    return _UNIX_EPOCH_JD + time.timestamp() / _DAY_S


def _plane(pixels: ArrayLike) -> Any:
    """One plane of numbers that the library takes, in this machine's byte order."""
    import numpy

    if isinstance(pixels, numpy.ma.MaskedArray):
        pixels = numpy.ma.filled(pixels.astype(numpy.float32), numpy.nan)
    array = numpy.asarray(pixels)
    if array.ndim == 3 and array.shape[2] == 3:
        array = array.mean(axis=2, dtype=numpy.float32)
    if array.dtype.kind not in "buif":
        raise TypeError(f"pixels are numbers, not {array.dtype}")
    kind = array.dtype.newbyteorder("=")
    if kind not in (numpy.uint8, numpy.uint16):
        kind = numpy.dtype(numpy.float32)
    return numpy.ascontiguousarray(array, dtype=kind)
