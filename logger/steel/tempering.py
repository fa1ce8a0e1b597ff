"""Tempering of quenched plain carbon steel: the Hollomon-Jaffe parameter and the hardness it leaves.

The parameter P = T (c + log10 t), t in hours, is J.H. Hollomon and L.D. Jaffe, Trans. AIME 162 (1945) 223. The
constant c and the hardness are fitted here to the 1945 data and to those of R.A. Grange and R.W. Baughman, Trans.
ASM 48 (1956) 165; ``tests/published/fit_tempering.py`` does the fit, prints it with its residuals, and a test holds
the numbers below to what it yields.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.errors import Fault, InputFault, OutOfRange
from logger.steel.coefficients import Coefficient
from logger.steel.crossing import crossing
from logger.units import SECONDS_PER_HOUR, FloatArray

_FIT: Final = "fitted to Hollomon and Jaffe 1945 with Grange and Baughman 1956"
CARBON_WT_PCT: Final = (0.25, 1.15)
"""Carbon of the steels in the fit [wt%]."""

CONSTANT: Final = Coefficient(
    name="tempering constant at 0.70 % C",
    value=17.22,
    unit="1 (time in hours)",
    source=_FIT,
    spread=1.3,  # between steels about the line; the 1945 study alone gives 17.1, the 1956 study 18.5
    spread_is_absolute=True,
    low=CARBON_WT_PCT[0],
    high=CARBON_WT_PCT[1],
    argument_unit="wt% C",
)

CONSTANT_PER_CARBON: Final = Coefficient(
    name="change of the tempering constant with carbon",
    value=-3.10,
    unit="1/wt%",
    source=_FIT,
    spread=2.0,  # the 1945 study alone gives -3.6, the 1956 study, which ends at 0.82 % C, +1.0
    spread_is_absolute=True,
    low=CARBON_WT_PCT[0],
    high=CARBON_WT_PCT[1],
    argument_unit="wt% C",
)

HARDNESS_TERMS: Final = (50.290, -21.844, -4.455, 7.122, -9.302, -34.188, 0.778, 6.337)
"""Hardness [HRC] = sum of these times 1, x, x^2, w, x w, w^2, x w^2, m, with x = (P - 11000 K)/5000 K,
w = carbon - 0.70 wt%, m = manganese - 0.70 wt%. Quadratic, because it is the plainest form that falls with P at every
carbon of the data; their spread is that of the hardness as a whole, `HARDNESS_RMS_HRC`."""

HARDNESS_RMS_HRC: Final = Coefficient(
    name="rms error of the tempered hardness",
    value=1.72,
    unit="HRC",
    source="each steel of the fit predicted from all the others",
    spread=0.4,  # from one study to the other it is 1.96 and 2.38
    spread_is_absolute=True,
)

MANGANESE_WT_PCT: Final = (0.30, 0.91)
"""Manganese of the steels in the fit."""

SOFTENS_ABOVE_K: Final = 423.15
"""Below 150 C the 1945 data show no softening within 24 h (hardness may rise by about 1 HRC)."""

LOWEST_FIT_TIME_S: Final = 90.0
"""The 10 s treatments are left out of the fit: a specimen is still warming up then (the script shows what they do)."""

SCALE_ENDS_HRC: Final = 20.0
"""Rockwell C is not defined below this (ASTM E140 Table 1 ends here)."""

HIGHEST_PARAMETER_K: Final = 16982.0
"""Largest parameter among the rows of the fit."""

_LN10: Final = float(np.log(10.0))
_P_CENTRE_K, _P_SPAN_K, _CARBON_CENTRE, _MANGANESE_CENTRE = 11000.0, 5000.0, 0.70, 0.70


def tempering_parameter_K(temperature_K: ArrayLike, time_s: ArrayLike, constant: ArrayLike) -> FloatArray:
    """Hollomon-Jaffe parameter of a hold at one temperature.

    Parameters
    ----------
    temperature_K : array      temperature [K], above 0
    time_s : array             time at it [s], above 0
    constant : array           c for time in hours [1]

    Returns    array           P = T (c + log10 t_hours) [K]
    Raises     InputFault      a temperature or time that is not above zero
    Source     J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223
    """
    T, t = np.asarray(temperature_K, dtype=float), np.asarray(time_s, dtype=float)
    if not (np.all(T > 0.0) and np.all(t > 0.0)):
        raise InputFault(
            Fault(
                "tempering parameter",
                f"lowest temperature {T.min():g} K, shortest time {t.min():g} s",
                "both above 0",
            )
        )
    return np.asarray(T * (np.asarray(constant) + np.log10(t / SECONDS_PER_HOUR)))


def equivalent_time_s(parameter_K: ArrayLike, temperature_K: ArrayLike, constant: ArrayLike) -> FloatArray:
    """Time at one temperature that gives a tempering parameter.

    Parameters
    ----------
    parameter_K : array        tempering parameter [K]; minus infinity before anything happened
    temperature_K : array      temperature [K]
    constant : array           c for time in hours [1]

    Returns    array           time [s]
    Source     J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223, solved for time
    """
    P, T = np.asarray(parameter_K, dtype=float), np.asarray(temperature_K, dtype=float)
    return np.asarray(SECONDS_PER_HOUR * 10.0 ** (P / T - np.asarray(constant)))


def fitted_constant(carbon_wt_pct: ArrayLike) -> FloatArray:
    """Hollomon-Jaffe constant c (time in hours) of a plain carbon steel, by its carbon.

    Parameters
    ----------
    carbon_wt_pct : array      carbon [wt%]; valid 0.25 to 1.15

    Returns    array           c [1], 18.6 at 0.25 and 15.8 at 1.15 wt%; spread 1.3 between steels
    Raises     OutOfRange      carbon outside the fit: state a constant instead (20 is the general value)
    Source     fitted, see the module
    """
    C = np.asarray(carbon_wt_pct, dtype=float)
    _check(
        "carbon for the tempering constant",
        C,
        *CARBON_WT_PCT,
        "wt%",
        "beyond it state a constant; 20 is the general one",
    )
    return np.asarray(CONSTANT.value + CONSTANT_PER_CARBON.value * (C - _CARBON_CENTRE))


def tempered_hardness_HRC(
    parameter_K: ArrayLike, carbon_wt_pct: ArrayLike, manganese_wt_pct: ArrayLike = 0.6
) -> FloatArray:
    """Hardness of a fully hardened plain carbon steel after a temper.

    Parameters
    ----------
    parameter_K : array        tempering parameter [K] with the constant of `fitted_constant`; the hardness stays
                               level below the parameter of 90 s at 150 C
    carbon_wt_pct : array      carbon [wt%]; valid 0.25 to 1.15
    manganese_wt_pct : array   manganese [wt%]; valid 0.30 to 0.91

    Returns    array           hardness [HRC], rms `HARDNESS_RMS_HRC`; values below 20 are off the Rockwell C scale
    Raises     OutOfRange      carbon, manganese or parameter outside the data of the fit
    Source     fitted, see the module
    """
    C, Mn = np.asarray(carbon_wt_pct, dtype=float), np.asarray(manganese_wt_pct, dtype=float)
    lowest_K = lowest_parameter_K(C)
    P = np.maximum(np.asarray(parameter_K, dtype=float), lowest_K)
    _check("manganese for the tempered hardness", Mn, *MANGANESE_WT_PCT, "wt%", "no formula here beyond it")
    _check("tempering parameter", P, float(np.min(lowest_K)), HIGHEST_PARAMETER_K, "parameter_K", "end of the data")
    x, w, m = (P - _P_CENTRE_K) / _P_SPAN_K, C - _CARBON_CENTRE, Mn - _MANGANESE_CENTRE
    one = np.ones_like(x * w * m)
    terms = (one, x, x**2, w, x * w, w**2, x * w**2, m)
    return np.asarray(sum(a * term for a, term in zip(HARDNESS_TERMS, terms, strict=True)))


def lowest_parameter_K(carbon_wt_pct: ArrayLike) -> FloatArray:
    """Parameter of 90 s at 150 C, the mildest treatment in the fit: nothing softens below it.

    Parameters
    ----------
    carbon_wt_pct : array      carbon [wt%]; valid 0.25 to 1.15

    Returns    array           tempering parameter [K] with the constant of `fitted_constant`
    Raises     OutOfRange      carbon outside the fit
    Source     fitted, see the module
    """
    return tempering_parameter_K(SOFTENS_ABOVE_K, LOWEST_FIT_TIME_S, fitted_constant(carbon_wt_pct))


def parameter_for_hardness_K(hardness_HRC: float, carbon_wt_pct: float, manganese_wt_pct: float = 0.6) -> float:
    """Tempering parameter that leaves a hardness: `tempered_hardness_HRC` solved for the parameter.

    Parameters
    ----------
    hardness_HRC : float       wanted hardness [HRC]; valid 20 to the hardness before any softening
    carbon_wt_pct : float      carbon [wt%]; valid 0.25 to 1.15
    manganese_wt_pct : float   manganese [wt%]; valid 0.30 to 0.91

    Returns    float           tempering parameter [K] with the constant of `fitted_constant`
    Raises     OutOfRange      carbon, manganese or hardness outside the fit
    Source     fitted, see the module
    """
    low_K = float(lowest_parameter_K(carbon_wt_pct))

    def hardness(parameter_K: float) -> float:
        return float(tempered_hardness_HRC(parameter_K, carbon_wt_pct, manganese_wt_pct))

    hardest, softest = hardness(low_K), max(SCALE_ENDS_HRC, hardness(HIGHEST_PARAMETER_K))
    if not softest <= hardness_HRC <= hardest:
        raise OutOfRange("hardness after tempering", hardness_HRC, softest, round(hardest, 1), "HRC", _FIT)
    return crossing(lambda P: hardness(P) - hardness_HRC, low_K, HIGHEST_PARAMETER_K, xtol=1e-6)


def time_to_parameter_s(now_K: float, wanted_K: float, temperature_K: float, constant: float) -> float:
    """Time at one temperature that brings a tempering parameter to another.

    Parameters
    ----------
    now_K : float              tempering parameter so far [K]; minus infinity before anything happened
    wanted_K : float           tempering parameter to reach [K]
    temperature_K : float      temperature held from now on [K]
    constant : float           c for time in hours [1]

    Returns    float           time [s]; 0 when it is already reached, infinity when it takes beyond a million years
    Source     J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223, with additivity (see `logger.estimate.tempering`)
    """
    if now_K >= wanted_K:
        return 0.0
    if wanted_K / temperature_K - constant > 10.0:
        return np.inf
    now_s, wanted_s = (float(equivalent_time_s(P, temperature_K, constant)) for P in (now_K, wanted_K))
    return wanted_s - now_s


def temperature_for_parameter_K(now_K: float, wanted_K: float, duration_s: float, constant: float) -> float:
    """Temperature that brings a tempering parameter to another in a stated time.

    Parameters
    ----------
    now_K : float              tempering parameter so far [K]; minus infinity before anything happened
    wanted_K : float           tempering parameter to reach [K], above ``now_K``
    duration_s : float         time to do it in [s], above 0
    constant : float           c for time in hours [1]

    Returns    float           temperature [K]
    Raises     InputFault      the parameter has been reached already, or no time is given
    Source     J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223, with additivity (see `logger.estimate.tempering`)
    """
    if not (now_K < wanted_K and duration_s > 0.0):
        raise InputFault(
            Fault("tempering still to do", f"from {now_K:g} to {wanted_K:g} K in {duration_s:g} s", "a rise, and time")
        )
    fresh_K = wanted_K / (constant + float(np.log10(duration_s / SECONDS_PER_HOUR)))
    if now_K == -np.inf:
        return fresh_K

    def reached(T: float) -> float:
        before, hold = now_K / T - constant, np.log10(duration_s / SECONDS_PER_HOUR)  # both log10 of hours
        return float(T * (constant + np.logaddexp(before * _LN10, hold * _LN10) / _LN10)) - wanted_K

    # What was done already helps, so the answer lies below the temperature of a fresh piece.
    return crossing(reached, 0.2 * fresh_K, fresh_K, xtol=1e-6) if reached(0.2 * fresh_K) < 0.0 else 0.2 * fresh_K


def _check(what: str, value: FloatArray, low: float, high: float, unit: str, source: str) -> None:
    """Refuse values outside a range [low, high], naming the worst one."""
    outside = ~((value >= low - 1e-9) & (value <= high + 1e-9))
    if np.any(outside):
        raise OutOfRange(what, float(np.atleast_1d(value)[np.atleast_1d(outside)][0]), low, high, unit, source)
