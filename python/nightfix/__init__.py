"""Where does the camera point? One exposure of the night sky in, its sky position out.

    import nightfix

    result = nightfix.solve("frame.fits", at="M 81")
    if result.solved:
        print(result.centre.ra, result.centre.dec, result.pointing_error.separation_arcmin)
        wcs = result.to_wcs()

Sky positions are ICRS in degrees unless a name says otherwise; pixels of results are those of FITS:
the first stored one is (1, 1), an integer is the centre of a pixel. Nothing that moves should move on
a result alone: see that people, cables and the sky (above all the Sun) are clear of the telescope.
"""

import os
import sys

from ._core import (
    FrameDamaged,
    FrameNotReadable,
    InternalFault,
    NightfixError,
    StarIndexNotUsable,
    __version__,
    set_helper,
)
from ._result import (
    Centre,
    CentreOfDate,
    Commanded,
    Diagnosis,
    ElapsedMs,
    PointingError,
    Quality,
    Result,
    Search,
    SkyObject,
    Stars,
    Trend,
    WcsKeywords,
)
from ._solve import solve, solve_array

__all__ = [
    "Centre",
    "CentreOfDate",
    "Commanded",
    "Diagnosis",
    "ElapsedMs",
    "FrameDamaged",
    "FrameNotReadable",
    "InternalFault",
    "NightfixError",
    "PointingError",
    "Quality",
    "Result",
    "Search",
    "SkyObject",
    "StarIndexNotUsable",
    "Stars",
    "Trend",
    "WcsKeywords",
    "__version__",
    "solve",
    "solve_array",
]

# Camera raw files are decoded in a process of its own: this interpreter, once more. A program that
# has Python inside cannot be started as one.
if os.path.basename(sys.executable or "").lower().startswith(("python", "pypy")):
    set_helper(sys.executable, ["-P", "-m", "nightfix"])
