"""Hardenability, roughly: whether a piece of this steel and size hardens through in brine or oil.

The ideal diameter of ASTM A255 is that of a bar whose centre is half martensite after a quench that brings its
surface to the bath at once. How thick a real piece may be in a real bath follows as M.A. Grossmann, M. Asimow and
S.F. Urban did it (Hardenability of Alloy Steels, ASM 1939): same time to half the temperature difference at the
centre, with the bath's severity H = h/(2k).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from logger.errors import OutOfRange
from logger.remark import Remark
from logger.sheet_parts import Bath, Shape
from logger.steel.coefficients import Coefficient
from logger.steel.crossing import crossing
from logger.units import METRES_PER_INCH, FloatArray

A255: Final = "ASTM A255, ideal diameter from composition, grain size 7"

COMPOSITION_WT_PCT: Final = {
    "C": (0.01, 0.90), "Mn": (0.0, 1.95), "Si": (0.0, 2.00), "Ni": (0.0, 3.50),
    "Cr": (0.0, 2.50), "Mo": (0.0, 0.55), "Cu": (0.0, 0.55), "V": (0.0, 0.20),
}  # fmt: skip
"""Range of the multiplying factors of ASTM A255 [wt%] (its hardness curves ask for 0.10 to 0.70 % C and more)."""

NO_FACTOR: Final = ("P", "S", "As", "Al")
"""Elements of a run sheet for which A255 has no factor; it holds that phosphorus and sulphur offset each other."""

GRAIN_SIZE_FACTOR: Final = Coefficient(
    name="ideal diameter per step of the ASTM grain size number",
    value=1.083,
    unit="1",
    source="from memory: ratio between the grain size curves of Grossmann's base diameter, 1.07 to 1.09",
    spread=0.01,
    spread_is_absolute=True,
    low=4.0,
    high=9.0,
    argument_unit="ASTM number",
)


SEVERITY_PER_INCH: Final = {
    Bath.BRINE: (2.0, 5.0),
    Bath.WATER: (0.9, 2.0),
    Bath.FAST_OIL: (0.35, 0.70),
    Bath.SLOW_OIL: (0.20, 0.35),
}
"""Grossmann severity H [1/in], still to strongly moved. Handbook values from memory (brine and water 2 to 5 and 1 to
1.5, oils 0.25 to 0.8 also seen on open pages); they change with temperature, age and movement of the bath."""


@dataclass(frozen=True, slots=True)
class Hardening:
    """Whether a section hardens through in a bath.

    ``needed_m`` (low, high): ideal diameter a piece of this size needs, with the bath strongly moved and still.
    ``through`` is True or False where both ends of the bath's severity say so, None where the bath decides.
    """

    bath: Bath
    ideal_diameter_m: float
    needed_m: tuple[float, float]
    through: bool | None
    remark: Remark

    @property
    def advice(self) -> str:
        """The answer in plain words, in millimetres."""
        return str(self.remark)


def ideal_diameter_m(alloy_wt_pct: Mapping[str, float], carbon_wt_pct: float, grain_size: float = 7.0) -> float:
    """Diameter of the bar whose centre is half martensite after an ideal quench.

    Parameters
    ----------
    alloy_wt_pct : mapping         alloying elements [wt%]; Mn to 1.95, Si to 2.0, Ni to 3.5, Cr to 2.5, ...
    carbon_wt_pct : float          carbon in solution in the austenite [wt%]; valid 0.01 to 0.90
    grain_size : float             ASTM grain size number of the austenite [1]; valid 4 to 9

    Returns    float               ideal diameter [m]
    Raises     OutOfRange          composition or grain size outside the factors
    Source     ASTM A255: base diameter by carbon and multiplying factors (seen in four unrelated public sources
               that quote the standard); the grain size factor from memory
    """
    parts = {"C": carbon_wt_pct, **alloy_wt_pct}
    for element, part in parts.items():
        low, high = COMPOSITION_WT_PCT.get(element, (0.0, 0.0))
        if element not in NO_FACTOR and not low <= part <= high:
            more = (
                "; above 0.90 % C try the carbon in solution at the austenitizing temperature" if element == "C" else ""
            )
            raise OutOfRange(f"{element} for the hardenability", part, low, high, "wt%", A255 + more)
    steps = float(GRAIN_SIZE_FACTOR.at(grain_size) ** (7.0 - grain_size))
    inches = _base_inches(carbon_wt_pct) * steps
    for element, part in alloy_wt_pct.items():
        if element not in NO_FACTOR:
            inches *= multiplying_factor(element, part)
    return inches * METRES_PER_INCH


def _base_inches(C: float) -> float:
    """Ideal diameter [in] of iron with this carbon [wt%] alone, grain size 7."""
    if C <= 0.39:
        return 0.54 * C
    if C <= 0.55:
        return 0.171 + 0.001 * C + 0.265 * C**2
    if C <= 0.65:
        return 0.115 + 0.268 * C - 0.038 * C**2
    if C <= 0.75:
        return 0.143 + 0.2 * C
    return 0.062 + 0.409 * C - 0.135 * C**2


def multiplying_factor(element: str, wt_pct: float) -> float:
    """Factor by which an element multiplies the ideal diameter.

    Parameters
    ----------
    element : str          Mn, Si, Ni, Cr, Mo, Cu or V; any other element has no factor and counts as 1
    wt_pct : float         its content [wt%]

    Returns    float       factor [-]
    Source     ASTM A255, multiplying factors
    """
    if element == "Mn":
        return 1.0 + 3.3333 * wt_pct if wt_pct <= 1.20 else 5.10 * wt_pct - 1.12
    if element == "Ni" and wt_pct > 1.5:
        return 0.3211 + 1.4501 * wt_pct - 0.6119 * wt_pct**2 + 0.1253 * wt_pct**3
    slopes = {"Si": 0.70, "Ni": 0.363, "Cr": 2.16, "Mo": 3.00, "Cu": 0.365, "V": 1.73}
    return 1.0 + slopes.get(element, 0.0) * wt_pct


def needed_ideal_diameter_m(size_m: float, shape: Shape, severity_per_inch: float) -> float:
    """Ideal diameter a steel needs for the centre of a piece to be half martensite in a bath.

    Parameters
    ----------
    size_m : float                 diameter of a round, or thickness of a plate [m]
    shape : Shape                  round or plate (layered counts as plate)
    severity_per_inch : float      Grossmann severity H [1/in]

    Returns    float               ideal diameter [m]
    Source     Grossmann, Asimow, Urban, Hardenability of Alloy Steels (ASM 1939): equal half-temperature times,
               computed here from the series for a cylinder and a plate
    """
    half_inches = 0.5 * size_m / METRES_PER_INCH
    # Biot number h L/k with H = h/(2k).
    fourier = _half_time_fourier(shape is Shape.ROUND, 2.0 * severity_per_inch * half_inches)
    ideal = _half_time_fourier(True, np.inf)
    return 2.0 * half_inches * METRES_PER_INCH * float(np.sqrt(fourier / ideal))


@lru_cache(maxsize=512)
def _half_time_fourier(cylinder: bool, biot: float) -> float:
    """Fourier number at which the centre has come half way to the bath; for a small Biot number a body of one heat."""
    if biot < 1e-3:
        return float(np.log(2.0) / ((2.0 if cylinder else 1.0) * biot))
    roots = np.array([_root(cylinder, biot, number) for number in range(12)])
    if cylinder:
        J0, J1 = bessel_j(0, roots), bessel_j(1, roots)
        amplitude = 2.0 * J1 / (roots * (J0**2 + J1**2))
    else:
        amplitude = 4.0 * np.sin(roots) / (2.0 * roots + np.sin(2.0 * roots))

    def above_half(fourier: float) -> float:
        return float(np.sum(amplitude * np.exp(-(roots**2) * fourier))) - 0.5

    return crossing(above_half, 1e-2, 10.0 / roots[0] ** 2)


def _root(cylinder: bool, biot: float, number: int) -> float:
    """Root of the series number 0, 1, ...: z J1(z) = Bi J0(z), or z tan z = Bi."""
    # Between the zeros of the right-hand and of the left-hand side there is exactly one root.
    if cylinder:
        low, high = _zero_of_j1(number), _zero_of_j0(number)
        if np.isinf(biot):
            return high
        return crossing(lambda z: float(z * bessel_j(1, z) - biot * bessel_j(0, z)), low + 1e-12, high)
    low, high = number * np.pi, (number + 0.5) * np.pi
    if np.isinf(biot):
        return high
    return crossing(lambda z: z * np.sin(z) - biot * np.cos(z), low + 1e-12, high)


_TURN = np.arange(128) * (2.0 * np.pi / 128.0)


def bessel_j(order: int, z: float | FloatArray) -> FloatArray:
    """J0(z) or J1(z) for ``z`` [1] below 60: Bessel's own integral, the mean of cos(n t - z sin t) over a turn.

    Equal steps give it to rounding, for the function is periodic and the steps are many more than z.

    Source     NIST Digital Library of Mathematical Functions 10.9.2 (number from memory)
    """
    return np.asarray(np.cos(order * _TURN - np.multiply.outer(z, np.sin(_TURN))).mean(axis=-1))


@lru_cache(maxsize=16)
def _zero_of_j0(number: int) -> float:
    near = (number + 0.75) * np.pi
    return crossing(lambda z: float(bessel_j(0, z)), near - 0.6, near + 0.6)


@lru_cache(maxsize=16)
def _zero_of_j1(number: int) -> float:
    if number == 0:
        return 0.0
    near = (number + 0.25) * np.pi
    return crossing(lambda z: float(bessel_j(1, z)), near - 0.6, near + 0.6)


def hardens_through(
    size_m: float,
    shape: Shape,
    carbon_wt_pct: float,
    alloy_wt_pct: Mapping[str, float],
    bath: Bath,
    grain_size: float = 7.0,
) -> Hardening:
    """Whether the centre of a piece becomes at least half martensite in a bath; rough.

    Parameters
    ----------
    size_m : float                 diameter of a round, or thickness of a plate [m]
    shape : Shape                  form of the piece
    carbon_wt_pct : float          carbon in solution at the centre [wt%]; valid 0.01 to 0.90
    alloy_wt_pct : mapping         alloying elements [wt%]
    bath : Bath                    what it is quenched in
    grain_size : float             ASTM grain size number [1]; finer (higher) hardens less deeply

    Returns    Hardening
    Raises     OutOfRange          composition or grain size outside ASTM A255
    Source     ASTM A255 with Grossmann severities from memory
    """
    have_m = ideal_diameter_m(alloy_wt_pct, carbon_wt_pct, grain_size)
    still, moved = SEVERITY_PER_INCH[bath]
    low_m, high_m = (needed_ideal_diameter_m(size_m, shape, H) for H in (moved, still))
    through = True if have_m >= high_m else False if have_m < low_m else None
    words = {
        True: f"should harden through in {bath}",
        False: f"will not harden through in {bath}: the core stays soft",
        None: f"may or may not harden through in {bath}: it depends on how fast the bath is and how it is moved",
    }
    numbers = "ideal diameter {have_about_m}, this size needs {low_about_m} to {high_about_m}: "
    remark = Remark(numbers + words[through], have_about_m=have_m, low_about_m=low_m, high_about_m=high_m)
    return Hardening(bath, have_m, (low_m, high_m), through, remark)
