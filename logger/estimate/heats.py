"""What heats did: dissolve a network, refine the grain; and whether the quench was from the right side.

A heat is a stretch above Ac1 that ends when the steel has gone through its transformation on cooling. Judgements
follow common practice and say so; a sensor that stays in the oven cannot see a piece cool, so times at which the
piece was taken out can be stated.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

import numpy as np

from logger.remark import Remark
from logger.steel.critical_points import (
    COARSENS_ABOVE_K,
    CriticalPoints,
    Window,
    austenitizing_window,
    critical_points,
)
from logger.units import FloatArray, kelvin_from_celsius

TRANSFORMED_BELOW_K: Final = kelvin_from_celsius(600.0)
"""On cooling through this a plain steel has turned to pearlite or will turn to martensite (our choice)."""

FAST_FROM_K, FAST_TO_K = kelvin_from_celsius(700.0), kelvin_from_celsius(500.0)
"""Cooling is judged between these."""

QUENCH_K_PER_S: Final = 20.0
"""Faster than this through 700 to 500 C is a quench (our choice: a 5 mm plate in still air falls at 2 to 5 K/s)."""

SLOW_K_PER_S: Final = 0.1
"""Slower than this is a furnace cool: it coarsens pearlite and draws carbide to the boundaries (our choice)."""

DISSOLVES_AFTER_S: Final = 120.0
"""Least time above A_cm or Ac3 that counts as having dissolved what was there (our choice, steel temperature)."""

NOT_HIGHER_K: Final = 10.0
"""A later heat may be this much above the one before and still count as not rising (our choice)."""

WINDOW_MARGIN_K: Final = 10.0
"""Slack of a window when a measured temperature is judged (our choice; thermocouples are no better)."""


class Cooling(StrEnum):
    """How a heat ended."""

    QUENCH = "quench"
    AIR = "air"
    SLOW = "slow"
    NOT_SEEN = "not seen"


@dataclass(frozen=True, slots=True)
class Heat:
    """One heat above Ac1.

    ``left_K`` is the temperature at which cooling began to the end of the heat; ``cooling_K_per_s`` is the mean rate
    from 700 to 500 C, None where it was not seen. ``dissolves``: long enough above A_cm or Ac3. ``refines``: new
    austenite grains, not overheated, that did not cool slowly.
    """

    start_s: float
    end_s: float
    peak_K: float
    left_K: float
    above_ac1_s: float
    above_complete_s: float
    cooling: Cooling
    cooling_K_per_s: float | None
    dissolves: bool
    refines: bool
    remark: Remark

    @property
    def words(self) -> str:
        """What the heat did, in Celsius."""
        return str(self.remark)


@dataclass(frozen=True, slots=True)
class HeatsJudgement:
    """The heats in time order and what they amount to.

    ``sound`` is true for a sequence of good practice, false where something is wrong, None where the record does not
    show enough. ``quench_sound`` likewise for the last quench alone (None: no quench seen).
    """

    heats: tuple[Heat, ...]
    points: CriticalPoints
    window: Window
    sound: bool | None
    quench_sound: bool | None
    remarks: tuple[Remark, ...]

    @property
    def advice(self) -> tuple[str, ...]:
        """The remarks in Celsius."""
        return tuple(str(remark) for remark in self.remarks)


def judge_heats(
    time_s: FloatArray,
    temperature_K: FloatArray,
    carbon_wt_pct: float,
    alloy_wt_pct: Mapping[str, float] | None = None,
    *,
    taken_out_s: Sequence[float] = (),
    quenched_s: float | None = None,
) -> HeatsJudgement:
    """Judge the austenitizing and normalizing heats of a history, and its quench.

    Parameters
    ----------
    time_s : array, shape (n,)           times, increasing [s]
    temperature_K : array, shape (n,)    steel temperature [K]; not a number where it is not known
    carbon_wt_pct : float                carbon of the steel [wt%]; valid 0 to 2.05
    alloy_wt_pct : mapping               alloying elements [wt%]
    taken_out_s : sequence               times at which the piece was taken out to cool in air [s], for a sensor that
                                         stays in the oven
    quenched_s : float                   time at which it was taken out and quenched [s], likewise

    Returns    HeatsJudgement
    Raises     OutOfRange                carbon that is not steel's
    Source     Andrews 1965 and Fe-C limits for the temperatures; the judgements are common practice, no source
    """
    points = critical_points(carbon_wt_pct, alloy_wt_pct)
    window = austenitizing_window(carbon_wt_pct, alloy_wt_pct)
    good = np.isfinite(temperature_K)
    times, T = np.asarray(time_s, dtype=float)[good], np.asarray(temperature_K, dtype=float)[good]
    heats: list[Heat] = []
    first_s = -np.inf
    marks = sorted(
        [(at, Cooling.AIR) for at in taken_out_s] + ([] if quenched_s is None else [(quenched_s, Cooling.QUENCH)])
    )
    for at, cooling in marks:
        part = (times > first_s) & (times <= at)
        heats += _heats(times[part], T[part], points, cooling)
        first_s = at
    part = times > first_s
    if not marks:
        heats += _heats(times[part], T[part], points, None)
    remarks: list[Remark] = []
    quench_sound = _judge_quench(heats, points, window, remarks)
    sound = _judge_sequence(heats, points, quench_sound, remarks)
    return HeatsJudgement(tuple(heats), points, window, sound, quench_sound, tuple(remarks))


def _heats(times: FloatArray, T: FloatArray, points: CriticalPoints, stated: Cooling | None) -> list[Heat]:
    """Heats of one stretch; ``stated`` is how the last of them ended, where the person said so."""
    heats: list[Heat] = []
    start: int | None = None
    for i in range(T.size):
        if start is None and points.ac1_K < T[i]:
            start = max(i - 1, 0)
        elif start is not None and T[i] < TRANSFORMED_BELOW_K:
            # Cooling is read on to the end of the fall, a heat ends where it has transformed.
            stop = i
            while stop + 1 < T.size and T[stop] > FAST_TO_K and T[stop + 1] < T[stop]:
                stop += 1
            heats.append(_heat(times[start : stop + 1], T[start : stop + 1], points, None))
            start = None
    if start is not None:
        heats.append(_heat(times[start:], T[start:], points, stated or Cooling.NOT_SEEN))
    return heats


def _heat(times: FloatArray, T: FloatArray, points: CriticalPoints, stated: Cooling | None) -> Heat:
    peak_K = float(T.max())
    rate, left_K = _cooling(times, T)
    if stated is not None:
        cooling, rate, left_K = stated, None, float(T[-1])
    elif rate is None:
        cooling = Cooling.NOT_SEEN
    elif rate >= QUENCH_K_PER_S:
        cooling = Cooling.QUENCH
    else:
        cooling = Cooling.AIR if rate >= SLOW_K_PER_S else Cooling.SLOW
    above_complete_s = time_above_s(times, T, points.complete_K)
    dissolves = above_complete_s >= DISSOLVES_AFTER_S
    new_grains = peak_K >= points.complete_K if not points.hypereutectoid else peak_K >= points.ac1_K + WINDOW_MARGIN_K
    refines = new_grains and peak_K <= COARSENS_ABOVE_K and cooling is not Cooling.SLOW
    what = "A_cm" if points.hypereutectoid else "Ac3"
    left = "carbide network" if points.hypereutectoid else "ferrite"
    words = "peak {peak_K}, {minutes} min above {what}: " + (
        f"dissolves a {left}" if dissolves and points.hypereutectoid else f"dissolves the {left}" if dissolves
        else f"does not dissolve a {left}" if points.hypereutectoid else f"does not dissolve all {left}"
    )  # fmt: skip
    words += ", refines the grain" if refines else ""
    if peak_K > COARSENS_ABOVE_K:
        words += ", coarsens the grain"
    words += "; cooling {cooling}" + (", {cooling_K_per_s} through {from_K} to {to_K}" if rate is not None else "")
    remark = Remark(
        words,
        peak_K=peak_K,
        minutes=f"{above_complete_s / 60.0:.1f}",
        what=what,
        cooling=str(cooling),
        cooling_K_per_s=rate or 0.0,
        from_K=FAST_FROM_K,
        to_K=FAST_TO_K,
    )
    return Heat(
        start_s=float(times[0]),
        end_s=float(times[-1]),
        peak_K=peak_K,
        left_K=left_K,
        above_ac1_s=time_above_s(times, T, points.ac1_K),
        above_complete_s=above_complete_s,
        cooling=cooling,
        cooling_K_per_s=rate,
        dissolves=dissolves,
        refines=refines,
        remark=remark,
    )


def time_above_s(time_s: FloatArray, temperature_K: FloatArray, level_K: float) -> float:
    """Time a history was above a temperature, straight lines between samples.

    Parameters
    ----------
    time_s : array, shape (n,)           times, increasing [s]
    temperature_K : array, shape (n,)    temperatures [K]
    level_K : float                      temperature [K]

    Returns    float                     time [s]
    Source     geometry
    """
    over = np.asarray(temperature_K, dtype=float) - level_K
    if over.size < 2:
        return 0.0
    a, b, dt = over[:-1], over[1:], np.diff(np.asarray(time_s, dtype=float))
    high, low = np.maximum(a, b), np.minimum(a, b)
    share = np.where(high <= 0.0, 0.0, np.where(low >= 0.0, 1.0, high / np.maximum(high - low, 1e-300)))
    return float(np.sum(dt * share))


def _cooling(times: FloatArray, T: FloatArray) -> tuple[float | None, float]:
    """Mean cooling rate from 700 to 500 C [K/s], None where it was not seen, and where that cooling began [K]."""
    below = np.flatnonzero((T[:-1] >= FAST_FROM_K) & (T[1:] < FAST_FROM_K))
    if not below.size or T[-1] > FAST_TO_K:
        return None, float(T[-1])
    i = int(below[-1])
    j = i + int(np.flatnonzero(T[i + 1 :] <= FAST_TO_K)[0])
    from_s = float(times[i] + (T[i] - FAST_FROM_K) / (T[i] - T[i + 1]) * (times[i + 1] - times[i]))
    to_s = float(times[j] + (T[j] - FAST_TO_K) / (T[j] - T[j + 1]) * (times[j + 1] - times[j]))
    rate = (FAST_FROM_K - FAST_TO_K) / max(to_s - from_s, 1e-9)
    # The fall began where, going back, it was last much slower than through 700 to 500 C.
    while i > 0 and (T[i - 1] - T[i]) / (times[i] - times[i - 1]) > 0.1 * rate:
        i -= 1
    return rate, float(T[i])


def _judge_quench(heats: Sequence[Heat], points: CriticalPoints, window: Window, remarks: list[Remark]) -> bool | None:
    """Whether the last quench was from the right side; words into ``remarks``."""
    quenches = [heat for heat in heats if heat.cooling is Cooling.QUENCH]
    if not quenches:
        return None
    heat = quenches[-1]
    said = "quench from {left_K} (window {low_K} to {high_K}): "

    def say(words: str) -> None:
        remarks.append(Remark(said + words, left_K=heat.left_K, low_K=window.low_K, high_K=window.high_K))

    if heat.left_K > window.high_K + WINDOW_MARGIN_K:
        say("hotter than needed; coarser grain and, at high carbon, retained austenite")
        return False
    if heat.left_K >= window.low_K - WINDOW_MARGIN_K:
        say("from the right side")
        return True
    if heat.peak_K >= window.low_K - WINDOW_MARGIN_K and heat.left_K >= points.ac1_K - 2.0 * WINDOW_MARGIN_K:
        say("austenite was there but had cooled first; quench sooner, ferrite or pearlite may have formed")
        return False
    say("too cold, not all of it was austenite; it will be soft")
    return False


def _judge_sequence(
    heats: Sequence[Heat], points: CriticalPoints, quench_sound: bool | None, remarks: list[Remark]
) -> bool | None:
    """Whether the heats before the quench normalize and refine; words into ``remarks``."""
    last_quench = max((n for n, heat in enumerate(heats) if heat.cooling is Cooling.QUENCH), default=len(heats))
    before = heats[:last_quench]
    if not heats:
        return None
    what = "the carbide network" if points.hypereutectoid else "the ferrite"
    wrong = quench_sound is False
    if before:
        if not any(heat.dissolves for heat in before):
            words = f"no normalizing heat dissolved {what}: one should pass {{least_K}} for some minutes"
            remarks.append(Remark(words, least_K=points.complete_K))
            wrong = True
        if any(heat.peak_K > COARSENS_ABOVE_K for heat in before[-1:]):
            remarks.append(Remark("the last heat before the quench coarsened the grain: refine it with a lower heat"))
            wrong = True
        rising = [b for a, b in pairwise(before) if b.peak_K > a.peak_K + NOT_HIGHER_K]
        if rising:
            remarks.append(Remark("a later normalizing heat was hotter than the one before and undid its refining"))
            wrong = True
        if any(heat.cooling is Cooling.SLOW for heat in before):
            words = "a heat cooled slowly: that anneals and draws carbide to the boundaries, it does not refine"
            remarks.append(Remark(words))
            wrong = True
        if not wrong:
            peaks = {f"peak{number}_K": heat.peak_K for number, heat in enumerate(before)}
            if len(before) == 1:
                words = f"one normalizing heat before the quench: dissolves {what}; sound"
            else:
                falling = ", ".join(f"{{{name}}}" for name in peaks)
                words = f"normalizing heats at falling peaks ({falling}): dissolve {what}, then refine; usual and sound"
            remarks.append(Remark(words, **peaks))
    if wrong:
        return False
    if any(heat.cooling is Cooling.NOT_SEEN for heat in heats):
        remarks.append(Remark("the sensor did not see the piece cool: state when it was taken out or quenched"))
        return None
    return True
