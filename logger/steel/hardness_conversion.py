"""Vickers and Rockwell C, one from the other, by the points of ASTM E140 Table 1 for non-austenitic steels."""

from math import floor
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.errors import OutOfRange
from logger.units import FloatArray

SOURCE: Final = "ASTM E140 Table 1, non-austenitic steels"

# fmt: off
VICKERS_FROM_20_HRC: Final = (
    238, 243, 248, 254, 260, 266, 272, 279, 286, 294,  # 20 to 29 HRC
    302, 310, 318, 327, 336, 345, 354, 363, 372, 382,  # 30
    392, 402, 412, 423, 434, 446, 458, 471, 484, 498,  # 40
    513, 528, 544, 560, 577, 595, 613, 633, 653, 674,  # 50
    697, 720, 746, 772, 800, 832, 865, 900, 940,  # 60 to 68
)
# fmt: on
"""HV at each whole HRC from 20 to 68."""

LEAST_HV, MOST_HV = 238.0, 940.0
"""Ends of the table [HV], at 20 and 68 HRC."""

_HV: Final[FloatArray] = np.array(VICKERS_FROM_20_HRC, dtype=float)
_HRC: Final[FloatArray] = 20.0 + np.arange(_HV.size, dtype=float)


def vickers_HV(hardness_HRC: ArrayLike) -> FloatArray:
    """Vickers hardness of a Rockwell C hardness, linear between the points of the table.

    Parameters
    ----------
    hardness_HRC : array       Rockwell C hardness [HRC]; valid 20 to 68

    Returns    array           Vickers hardness [HV]
    Raises     OutOfRange      off the table, which is also where the Rockwell C scale ends
    Source     ASTM E140 Table 1, non-austenitic steels
    """
    hardness = np.asarray(hardness_HRC, dtype=float)
    _check("hardness to convert to HV", hardness, _HRC, "HRC")
    return np.asarray(np.interp(hardness, _HRC, _HV))


def rockwell_HRC(hardness_HV: ArrayLike) -> FloatArray:
    """Rockwell C hardness of a Vickers hardness, linear between the points of the table; not yet rounded.

    Parameters
    ----------
    hardness_HV : array        Vickers hardness [HV]; valid 238 to 940

    Returns    array           Rockwell C hardness [HRC]; see `reported_HRC` for the number to print
    Raises     OutOfRange      off the table
    Source     ASTM E140 Table 1, non-austenitic steels
    """
    hardness = np.asarray(hardness_HV, dtype=float)
    _check("hardness to convert to HRC", hardness, _HV, "HV")
    return np.asarray(np.interp(hardness, _HV, _HRC))


def reported_HRC(converted_HRC: float) -> int:
    """A converted Rockwell C hardness as it is to be reported: a whole number, halves upwards.

    Parameters
    ----------
    converted_HRC : float      hardness that came from another scale [HRC]

    Returns    int             hardness [HRC]
    Source     ASTM E140: converted Rockwell numbers are rounded to whole numbers
    """
    return floor(converted_HRC + 0.5)


def _check(what: str, hardness: FloatArray, points: FloatArray, unit: str) -> None:
    outside = np.atleast_1d(~((hardness >= points[0]) & (hardness <= points[-1])))
    if np.any(outside):
        worst = float(np.atleast_1d(hardness)[outside][0])
        raise OutOfRange(what, worst, float(points[0]), float(points[-1]), unit, SOURCE)
