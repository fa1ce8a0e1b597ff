"""Tempering of the real history: parameter, equivalent time and hardness, sample by sample.

Additivity: what was done so far equals some time at the present temperature, t = 10^(P/T - c); the next short time
is added to it, and P = T (c + log10 t) again. That is how ramps, swings and several tempers become one number
(published for rapid cycles by S.L. Semiatin, D.E. Stutz, T.G. Byrer, J. Heat Treating 4 (1985) 39).

A sub-step never spans more than `LARGEST_STEP_K`; the temperature at its middle stands for it, which is exact while
the temperature is constant and of second order while it changes. Sub-steps depend on two neighbouring samples and
on nothing else, so any chunking of a history gives the same bits.
"""

from dataclasses import dataclass, field, replace
from math import inf, log, log10
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.errors import Fault, InputFault, OutOfRange
from logger.sheet import RunSheet
from logger.sheet_parts import StageKind
from logger.steel.tempering import (
    CARBON_WT_PCT,
    HARDNESS_RMS_HRC,
    HIGHEST_PARAMETER_K,
    MANGANESE_WT_PCT,
    SCALE_ENDS_HRC,
    SOFTENS_ABOVE_K,
    equivalent_time_s,
    fitted_constant,
    lowest_parameter_K,
    tempered_hardness_HRC,
)
from logger.units import SECONDS_PER_HOUR, FloatArray

LARGEST_STEP_K: Final = 0.5
"""Largest temperature change inside one sub-step (our choice: equivalent time within 2e-4 of converged)."""

USUAL_MANGANESE_WT_PCT: Final = 0.60
"""Manganese assumed where the sheet states none (our choice: middle of plain carbon grades)."""

_LN10: Final = log(10.0)

NOTHING_SOFTENS_K: Final = 373.15
"""At 100 C the 1945 data show no softening within 24 h; the next temperature they have is 150 C, where steel softens as
the fit says. Between the two nothing was measured: the hardness goes over in a straight line (our choice)."""

HARDEST_HRC: Final = 68.0
"""Hardness conversion tables end here, and no quenched steel is harder."""

LARGEST_EXPONENT: Final = 300.0
"""Equivalent hours beyond 10^300 cannot change by anything that happens on earth, and would overflow."""


@dataclass(frozen=True, slots=True, eq=False)
class TemperingProblem:
    """What is being tempered, and when the history counts.

    Parameters
    ----------
    constant : float or array, shape (m,)                 Hollomon-Jaffe c for time in hours
    reference_temperature_K : float                       temperature of the equivalent time [K]
    carbon_wt_pct : float, array (m,), or None            carbon for the hardness [wt%], 0.25 to 1.15; None: no hardness
    manganese_wt_pct : float or array (m,)                manganese for the hardness [wt%], 0.30 to 0.91
    quenched_hardness_HRC : float, array (m,), or None    measured hardness before the temper [HRC]
    hardness_offset_HRC : float or array (m,)             added to the hardness of the fit (an ensemble's spread) [HRC]
    from_s, to_s : float                                  the history counts inside these times only [s]
    austenite_above_K : float                             at this temperature all earlier tempering is wiped out [K]
    hardened_below_K : float                              after that, tempering begins anew below this temperature [K]
    begins_hardened : bool                                whether the piece is hard already when the run begins
    notes : tuple of str                                  what the person should know about these choices
    """

    constant: float | FloatArray
    reference_temperature_K: float = 473.15
    carbon_wt_pct: float | FloatArray | None = None
    manganese_wt_pct: float | FloatArray = USUAL_MANGANESE_WT_PCT
    quenched_hardness_HRC: float | FloatArray | None = None
    hardness_offset_HRC: float | FloatArray = 0.0
    from_s: float = -inf
    to_s: float = inf
    austenite_above_K: float = 1000.15
    hardened_below_K: float = 373.15
    begins_hardened: bool = True
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not np.all((np.asarray(self.constant) >= 5.0) & (np.asarray(self.constant) <= 40.0)):
            found = float(np.atleast_1d(self.constant)[0])
            raise OutOfRange("tempering constant", found, 5.0, 40.0, "", "time in hours; 20 is the general value")
        if self.quenched_hardness_HRC is not None:
            measured = np.atleast_1d(np.asarray(self.quenched_hardness_HRC, dtype=float))
            outside = ~((measured >= SCALE_ENDS_HRC) & (measured <= HARDEST_HRC))
            if np.any(outside):
                worst = float(measured[outside][0])
                raise OutOfRange("quenched hardness", worst, SCALE_ENDS_HRC, HARDEST_HRC, "HRC", "ASTM E140 Table 1")
        if self.carbon_wt_pct is not None:
            fitted_constant(self.carbon_wt_pct)
            tempered_hardness_HRC(HIGHEST_PARAMETER_K, self.carbon_wt_pct, self.manganese_wt_pct)


@dataclass(frozen=True, slots=True, eq=False)
class TemperingState:
    """Tempering up to the last sample.

    ``parameter_K`` (m,) is minus infinity before anything counted. ``fit_parameter_K`` is the same with the constant
    of the hardness fit. ``hardened`` (m,) is false from austenite until the piece is cold again.
    """

    time_s: float | None
    temperature_K: FloatArray
    parameter_K: FloatArray
    fit_parameter_K: FloatArray
    peak_K: FloatArray
    hardened: np.ndarray
    single: bool


@dataclass(frozen=True, slots=True, eq=False)
class TemperingResult:
    """Tempering now; floats for a single run, arrays of shape (m,) for an ensemble.

    ``parameter_K`` is 0 and ``equivalent_time_s`` 0 before anything counted (``begun`` is false). The hardness is
    None where the carbon is outside the data; its rms is that of a steel the fit has not seen. ``notes`` say in
    plain words what limits these numbers.
    """

    parameter_K: float | FloatArray
    constant: float | FloatArray
    equivalent_time_s: float | FloatArray
    reference_temperature_K: float
    hardness_HRC: float | FloatArray | None
    hardness_rms_HRC: float | None
    quenched_hardness_HRC: float | FloatArray | None
    peak_temperature_K: float | FloatArray
    begun: bool
    notes: tuple[str, ...] = field(default=())


def problem_from_sheet(
    sheet: RunSheet, carbon_wt_pct: float | None = None, manganese_wt_pct: float | None = None
) -> TemperingProblem | None:
    """The tempering problem of a run sheet; None where its stages are stated and none of them is a temper.

    Parameters
    ----------
    sheet : RunSheet             the run sheet
    carbon_wt_pct : float        carbon of the steel that is tempered [wt%], where it is not the sheet's own
    manganese_wt_pct : float     its manganese [wt%], likewise

    Returns    TemperingProblem or None
    Raises     OutOfRange        a stated constant that cannot be one
    """
    tempers = [stage for stage in sheet.stages if stage.kind is StageKind.TEMPER]
    if sheet.stages and not tempers:
        return None
    carbon = sheet.piece.carbon_wt_pct if carbon_wt_pct is None else carbon_wt_pct
    stated = sheet.piece.alloy_wt_pct.get("Mn") if manganese_wt_pct is None else manganese_wt_pct
    manganese = USUAL_MANGANESE_WT_PCT if stated is None else stated
    low, high = CARBON_WT_PCT
    notes: list[str] = []
    known = low <= carbon <= high
    constant = float(fitted_constant(min(max(carbon, low), high)))
    if not known:
        notes.append(
            f"tempering: carbon {carbon:g} wt% is outside the {low:g} to {high:g} wt% of the data; "
            + (
                "no hardness is given"
                if sheet.tempering_constant is not None
                else f"no hardness is given, and the constant is that of the nearest end, {constant:.1f}"
            )
        )
    if sheet.tempering_constant is not None:
        constant = sheet.tempering_constant
    if known and not MANGANESE_WT_PCT[0] <= manganese <= MANGANESE_WT_PCT[1]:
        nearest = min(max(manganese, MANGANESE_WT_PCT[0]), MANGANESE_WT_PCT[1])
        notes.append(
            f"tempering: manganese {manganese:g} wt% is outside the {MANGANESE_WT_PCT[0]:g} to "
            f"{MANGANESE_WT_PCT[1]:g} wt% of the data; the hardness is that of {nearest:g} wt%"
        )
        manganese = nearest
    return TemperingProblem(
        constant=constant,
        reference_temperature_K=sheet.tempering_reference_K,
        carbon_wt_pct=carbon if known else None,
        manganese_wt_pct=manganese,
        quenched_hardness_HRC=sheet.quenched_hardness_HRC,
        from_s=min((stage.from_s for stage in tempers), default=-inf),
        to_s=max((stage.to_s for stage in tempers), default=inf),
        notes=tuple(notes),
    )


def begin(problem: TemperingProblem) -> TemperingState:
    """State before the first sample: hardened, nothing tempered.

    Parameters
    ----------
    problem : TemperingProblem    what is tempered

    Returns    TemperingState     of as many members as the problem's own arrays have
    """
    parts = [problem.constant, problem.manganese_wt_pct, problem.hardness_offset_HRC]
    parts += [part for part in (problem.carbon_wt_pct, problem.quenched_hardness_HRC) if part is not None]
    shape = np.broadcast_shapes(*(np.shape(part) for part in parts))
    members = shape[0] if shape else 1
    return TemperingState(
        time_s=None,
        temperature_K=np.full(members, np.nan),
        parameter_K=np.full(members, -inf),
        fit_parameter_K=np.full(members, -inf),
        peak_K=np.full(members, -inf),
        hardened=np.full(members, problem.begins_hardened),
        single=not shape,
    )


def advance(
    problem: TemperingProblem, state: TemperingState, time_s: FloatArray, temperature_K: FloatArray
) -> TemperingState:
    """State after the next samples of the steel temperature.

    Parameters
    ----------
    problem : TemperingProblem                     what is tempered
    state : TemperingState                         state at the last sample before these
    time_s : array, shape (n,)                     run times [s], increasing, later than all before
    temperature_K : array, shape (n,) or (m, n)    steel temperature [K], finite

    Returns    TemperingState
    Raises     InputFault                          times out of order, temperatures that are not finite or not above 0
    Source     additivity, see the module
    """
    times = np.asarray(time_s, dtype=float)
    temperature = np.asarray(temperature_K, dtype=float)
    if not times.size:
        return state
    single = state.single and temperature.ndim == 1
    members = max(state.parameter_K.size, temperature.shape[0] if temperature.ndim == 2 else 1)
    T = np.ascontiguousarray(np.broadcast_to(temperature, (members, times.size)))
    previous = -inf if state.time_s is None else state.time_s
    if not (times[0] > previous and np.all(np.diff(times) > 0.0)):
        raise InputFault(Fault("tempering history", "times that do not increase", "each later than the one before"))
    if not (np.all(np.isfinite(T)) and np.all(T > 0.0)):
        raise InputFault(Fault("tempering history", "a temperature that is not a number above 0 K", "kelvin"))
    state = _with_members(state, members)
    if state.time_s is not None:
        times = np.concatenate([[state.time_s], times])
        T = np.concatenate([state.temperature_K[:, None], T], axis=1)
    constant = np.broadcast_to(np.asarray(problem.constant, dtype=float), (members,))
    fit_constant = constant
    if problem.carbon_wt_pct is not None:
        fit_constant = np.broadcast_to(fitted_constant(problem.carbon_wt_pct), (members,))
    t0, t1, T0, T1 = _inside(problem, times, T)
    P, fit_P, peak, hardened = state.parameter_K, state.fit_parameter_K, state.peak_K, state.hardened
    same = np.array_equal(constant, fit_constant)
    austenite = np.maximum(T0, T1) >= problem.austenite_above_K
    cold = problem.hardened_below_K > T1
    first, count = 0, t0.size
    while first < count:
        if np.all(hardened):
            last = _first(np.any(austenite[:, first:], axis=0), first, count)
        elif not np.any(hardened):
            last = _first(np.any(cold[:, first:], axis=0), first, count)
        else:
            last = first
        if last == first:  # some member changes here: one interval by itself
            last = first + 1
            counts = hardened & ~austenite[:, first]
            hardened = counts | cold[:, first]
            P, fit_P, peak = (np.where(counts, now, -inf) for now in (P, fit_P, peak))
        else:
            counts = hardened
        if np.any(counts):
            part = slice(first, last)
            middle, dt = _sub_steps(t0[part], t1[part], T0[:, part], T1[:, part])
            P = np.where(counts, _add(P, constant, middle, dt), P)
            fit_P = P if same else np.where(counts, _add(fit_P, fit_constant, middle, dt), fit_P)
            hottest = np.maximum(T0[:, part], T1[:, part]).max(axis=1)
            peak = np.where(counts, np.maximum(peak, hottest), peak)
        first = last
    return TemperingState(float(times[-1]), T[:, -1].copy(), P, fit_P, peak, hardened, single)


def at_end(problem: TemperingProblem, state: TemperingState) -> TemperingResult:
    """Tempering now: parameter, equivalent time, hardness with its rms.

    Parameters
    ----------
    problem : TemperingProblem    what is tempered
    state : TemperingState        state at the last sample

    Returns    TemperingResult
    """
    P = state.parameter_K
    begun = np.isfinite(P)
    equivalent = equivalent_time_s(P, problem.reference_temperature_K, problem.constant)
    notes = list(problem.notes)
    hardness: FloatArray | None = None
    quenched: FloatArray | None = None
    if problem.carbon_wt_pct is not None:
        quenched = quenched_HRC(problem, problem.carbon_wt_pct)
        offset = np.asarray(problem.hardness_offset_HRC, dtype=float)
        within = np.minimum(state.fit_parameter_K, HIGHEST_PARAMETER_K)
        fitted = tempered_hardness_HRC(within, problem.carbon_wt_pct, problem.manganese_wt_pct) + offset
        hardness = np.where(begun, softened_HRC(quenched, fitted, state.peak_K), quenched)
        beyond = state.fit_parameter_K > HIGHEST_PARAMETER_K
        notes.extend(mildness_notes(state.peak_K[begun]))
        if np.any(beyond):
            notes.append("tempering: longer or hotter than anything in the data; no hardness is given")
        elif np.any(hardness < SCALE_ENDS_HRC):
            notes.append(f"tempering: below {SCALE_ENDS_HRC:.0f} HRC, off the Rockwell C scale")
        hardness = np.where(beyond, np.nan, hardness)
        if np.all(beyond):
            hardness = None

    def out(value: FloatArray | float) -> float | FloatArray:
        array = np.broadcast_to(np.asarray(value, dtype=float), P.shape)
        return float(array[0]) if state.single else array.copy()

    return TemperingResult(
        parameter_K=out(np.where(begun, P, 0.0)),
        constant=out(problem.constant),
        equivalent_time_s=out(equivalent),
        reference_temperature_K=problem.reference_temperature_K,
        hardness_HRC=None if hardness is None else out(hardness),
        hardness_rms_HRC=None if hardness is None else HARDNESS_RMS_HRC.value,
        quenched_hardness_HRC=None if quenched is None else out(quenched),
        peak_temperature_K=out(np.where(begun, state.peak_K, np.nan)),
        begun=bool(np.any(begun)),
        notes=tuple(notes),
    )


def softened_HRC(quenched_HRC: FloatArray, fitted_HRC: FloatArray, peak_K: FloatArray) -> FloatArray:
    """Hardness after a temper whose hottest moment was mild or not.

    Parameters
    ----------
    quenched_HRC : array      hardness before the temper [HRC]
    fitted_HRC : array        hardness of the fit after it [HRC]
    peak_K : array            hottest temperature of the temper [K]

    Returns    array          hardness [HRC]: as quenched to 100 C, the fit's (never above as quenched) from 150 C
    Source     J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223 at 100 and 150 C; a straight line between
    """
    share = softening_share(peak_K)
    return np.asarray(quenched_HRC - share * (quenched_HRC - np.minimum(fitted_HRC, quenched_HRC)))


def softening_share(peak_K: ArrayLike) -> FloatArray:
    """How much of the softening of the fit counts for a temper that was hottest at a temperature.

    Parameters
    ----------
    peak_K : array            hottest temperature of the temper [K]

    Returns    array          share [-]: 0 to 100 C, 1 from 150 C
    Source     J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223 at 100 and 150 C; a straight line between
    """
    peak = np.asarray(peak_K, dtype=float)
    return np.clip((peak - NOTHING_SOFTENS_K) / (SOFTENS_ABOVE_K - NOTHING_SOFTENS_K), 0.0, 1.0)


def mildness_notes(peak_K: FloatArray) -> list[str]:
    """What to say of tempers whose hottest moments [K], (k,), stayed below what softens."""
    if np.any(peak_K <= NOTHING_SOFTENS_K):
        return ["tempering: nothing softens up to 100 C; the hardness may even rise by about 1 HRC"]
    if np.any(peak_K < SOFTENS_ABOVE_K):
        return [
            "tempering: between 100 and 150 C nothing was measured; the hardness is taken in a straight line between"
        ]
    return []


def quenched_HRC(problem: TemperingProblem, carbon_wt_pct: float | FloatArray) -> FloatArray:
    """Hardness [HRC] before the temper, by carbon [wt%]: as measured, else the untempered end of the fit."""
    if problem.quenched_hardness_HRC is not None:
        return np.asarray(problem.quenched_hardness_HRC, dtype=float)
    lowest_K = lowest_parameter_K(carbon_wt_pct)
    fitted = tempered_hardness_HRC(lowest_K, carbon_wt_pct, problem.manganese_wt_pct)
    return np.asarray(fitted + np.asarray(problem.hardness_offset_HRC, dtype=float))


def _with_members(state: TemperingState, members: int) -> TemperingState:
    """The state spread over ``members`` (it may begin with one and meet an ensemble of temperatures)."""
    if state.parameter_K.size == members:
        return state

    def spread(value: np.ndarray) -> np.ndarray:
        return np.broadcast_to(value, (members,)).copy()

    return replace(
        state,
        temperature_K=spread(state.temperature_K),
        parameter_K=spread(state.parameter_K),
        fit_parameter_K=spread(state.fit_parameter_K),
        peak_K=spread(state.peak_K),
        hardened=spread(state.hardened),
    )


def _inside(
    problem: TemperingProblem, times: FloatArray, T: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Intervals between samples, cut to the problem's own times: start, end [s] (k,), temperatures there [K] (m, k)."""
    ta, tb, Ta, Tb = times[:-1], times[1:], T[:, :-1], T[:, 1:]
    t0, t1 = np.maximum(ta, problem.from_s), np.minimum(tb, problem.to_s)
    slope = (Tb - Ta) / (tb - ta)
    T0 = np.where(t0 == ta, Ta, Ta + slope * (t0 - ta))
    T1 = np.where(t1 == tb, Tb, Ta + slope * (t1 - ta))
    kept = t1 > t0
    return t0[kept], t1[kept], T0[:, kept], T1[:, kept]


def _first(marked: np.ndarray, first: int, count: int) -> int:
    """Number of the first marked interval at or after ``first``; ``count`` when there is none."""
    return first + int(np.argmax(marked)) if np.any(marked) else count


def _sub_steps(t0: FloatArray, t1: FloatArray, T0: FloatArray, T1: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle temperatures [K] (m, s) and lengths [s] (s,) of the sub-steps of some intervals."""
    change = T1 - T0
    parts = np.maximum(1, np.ceil(np.abs(change).max(axis=0) / LARGEST_STEP_K)).astype(int)
    interval = np.repeat(np.arange(parts.size), parts)
    number = np.arange(interval.size) - np.repeat(np.cumsum(parts) - parts, parts)
    middle = T0[:, interval] + change[:, interval] * ((number + 0.5) / parts[interval])
    return middle, ((t1 - t0) / parts)[interval]


def _add(P: FloatArray, constant: FloatArray, middle: FloatArray, dt: FloatArray) -> FloatArray:
    """Parameter [K] (m,) after sub-steps at temperatures ``middle`` [K] (m, s), each ``dt`` [s] (s,) long."""
    hours = dt / SECONDS_PER_HOUR
    if P.size == 1:
        now, c = float(P[0]), float(constant[0])
        for T, step in zip(middle[0].tolist(), hours.tolist(), strict=True):
            exponent = now / T - c
            if exponent < LARGEST_EXPONENT:
                now = T * (c + log10(10.0**exponent + step))
        return np.array([now])
    # In natural logarithms and in place: an ensemble passes here once for every sub-step.
    reciprocal = _LN10 / middle
    scaled, scratch, P = constant * _LN10, np.empty_like(P), P.copy()
    for column, hours_here in enumerate(hours.tolist()):
        np.multiply(P, reciprocal[:, column], out=scratch)
        np.subtract(scratch, scaled, out=scratch)
        np.minimum(scratch, LARGEST_EXPONENT * _LN10, out=scratch)
        np.exp(scratch, out=scratch)
        np.add(scratch, hours_here, out=scratch)
        np.log(scratch, out=scratch)
        np.add(scratch, scaled, out=scratch)
        np.divide(scratch, reciprocal[:, column], out=scratch)
        np.maximum(P, scratch, out=P)
    return P
