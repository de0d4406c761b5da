from collections.abc import Sequence
from os import PathLike
from typing import Any, TypedDict

__version__: str

class NightfixError(Exception): ...
class FrameNotReadable(NightfixError): ...
class FrameDamaged(NightfixError): ...
class StarIndexNotUsable(NightfixError): ...
class InternalFault(NightfixError): ...

class Options(TypedDict):
    at: str | tuple[float, float] | None
    equinox: str | None
    within_deg: float | None
    focal_length_mm: float | None
    pixel_size_um: float | None
    scale_arcsec_per_px: float | None
    ignore_header: bool
    time_limit_s: float | None
    indexes: list[str | PathLike[str]]
    threads: int | None

class Claims(TypedDict):
    mosaic: bool | None
    first_row_on_top: bool
    nonlinear: bool
    mid_jd_utc: float | None

def solve(path: str | PathLike[str], options: Options) -> tuple[str, list[int]]: ...
def solve_pixels(pixels: Any, claims: Claims, options: Options) -> tuple[str, list[int]]: ...
def run(arguments: Sequence[str]) -> int: ...
def set_helper(program: str | PathLike[str], leading: Sequence[str]) -> None: ...
