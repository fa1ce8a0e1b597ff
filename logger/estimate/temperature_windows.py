"""Thousands of noisy samples as a few hundred windows the solver can step over.

A window closes at the first sample that falls into another ten seconds of run time than the window's first sample,
or at every sample while the temperature moves fast. So windows depend on the samples alone, never on how they came
in. Each keeps the seconds spent above A1 and the temperature whose carbon mobility, held constant, does what the
window did (Arrhenius average), so noise averages as the steel averages it.
"""

from dataclasses import dataclass, replace

import numpy as np

from logger.errors import Fault, InputFault, OutOfRange
from logger.steel.phase_limits import A1_K, HIGHEST_K
from logger.units import FloatArray

WINDOW_S = 10.0
"""Nothing carbon does deeper than a few micrometres notices what happens within ten seconds."""

WIDEST_WINDOW_K = 12.0
"""A window that spans more than this is split at its samples [K]."""

WIDEST_INTERVAL_K = 2.0
"""A window of one sampling interval is split into pieces no wider than this [K]."""

MOBILITY_ENERGY_K = 148000.0 / 8.314462618
"""Q/R of the average: the textbook 148 kJ/mol. The laws' own 132 to 148 kJ/mol change a 10 K cycle by 1e-3 at most."""

MOBILITY_REFERENCE_K = 1223.15
"""Mobility is 1 here [K]."""

BLOCK_SAMPLES = 16_000
"""So many samples of all members at a time stay within a processor's own memory."""

LOWEST_K = 150.0
"""Colder than any workshop [K]: a reading below it is a fault upstream."""


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureWindows:
    """Closed windows in time order, from `start_s` on.

    end_s : (k,)                 end of each window [s]
    hot_s : (m, k)               seconds above A1 in it
    temperature_K : (m, k)       Arrhenius average over those seconds; A1 where there are none
    mobility : (m, k)            carbon mobility at that temperature relative to `MOBILITY_REFERENCE_K`
    before : (3, m)              of all windows before `start_s`: relative mobility integrated [s], seconds above A1,
                                 these times the kelvins above A1 [K s]; added up window by window, so that sums do
                                 not depend on how the windows came in
    """

    start_s: float
    end_s: FloatArray
    hot_s: FloatArray
    temperature_K: FloatArray
    mobility: FloatArray
    before: FloatArray

    def __len__(self) -> int:
        return int(self.end_s.size)

    def then(self, later: "TemperatureWindows") -> "TemperatureWindows":
        """These windows followed by later ones."""
        if not len(self):
            return replace(later, before=self.before)
        return _joined([self, later]) if len(later) else self

    def sums(self) -> FloatArray:
        """What `before` says, at each window's beginning and the last one's end, (k + 1, 3, m) [s], [s], [K s]."""
        result = np.empty((len(self) + 1, *self.before.shape))
        result[0] = self.before
        np.multiply(self.hot_s.T, self.mobility.T, out=result[1:, 0])
        result[1:, 1] = self.hot_s.T
        np.multiply(self.hot_s.T, self.temperature_K.T - A1_K, out=result[1:, 2])
        return np.add.accumulate(result, axis=0, out=result)

    def after(self, first: int, before: FloatArray) -> "TemperatureWindows":
        """The windows from number `first` on, and the sums ``before`` them, (3, m) [s], [s], [K s]."""
        if first == 0:
            return self
        return TemperatureWindows(
            float(self.end_s[first - 1]),
            self.end_s[first:].copy(),
            self.hot_s[:, first:].copy(),
            self.temperature_K[:, first:].copy(),
            self.mobility[:, first:].copy(),
            before.copy(),
        )


def no_windows(start_s: float, members: int) -> TemperatureWindows:
    """No window yet, from a time [s] on."""
    empty = np.zeros((members, 0))
    return TemperatureWindows(start_s, np.zeros(0), empty, empty, empty, np.zeros((3, members)))


def mobility(temperature_K: FloatArray) -> FloatArray:
    """Carbon mobility at temperatures [K] relative to the one at `MOBILITY_REFERENCE_K`."""
    result: FloatArray = np.exp(MOBILITY_ENERGY_K / MOBILITY_REFERENCE_K - MOBILITY_ENERGY_K / temperature_K)
    return result


def mobility_temperature_K(relative_mobility: FloatArray) -> FloatArray:
    """Temperature [K] at which carbon has a ``relative_mobility`` [-]; inverse of `mobility`."""
    result: FloatArray = MOBILITY_ENERGY_K / (MOBILITY_ENERGY_K / MOBILITY_REFERENCE_K - np.log(relative_mobility))
    return result


def check_samples(time_s: FloatArray, temperature_K: FloatArray, after_s: float) -> None:
    """Refuse samples no estimate can use: not increasing, not finite, outside what the phase fits cover.

    Raises   InputFault, OutOfRange    naming the sample's time, the value and what is expected
    """
    if time_s.ndim != 1 or temperature_K.shape[-1] != time_s.size:
        found = f"{time_s.shape} times, {temperature_K.shape} temperatures"
        raise InputFault(Fault("steel temperature", found, "one temperature for each time"))
    if time_s.size == 0:
        return
    if not np.all(np.isfinite(time_s)):
        raise InputFault(Fault("steel temperature", "a time that is not finite", "seconds"))
    if time_s[0] <= after_s or np.any(np.diff(time_s) <= 0.0):
        at = 0 if time_s[0] <= after_s else int(np.flatnonzero(np.diff(time_s) <= 0.0)[0]) + 1
        before = after_s if at == 0 else float(time_s[at - 1])
        found = f"time {time_s[at]:g} s after {before:g} s"
        raise InputFault(Fault("steel temperature", found, "times that increase"))
    lowest, highest = float(temperature_K.min()), float(temperature_K.max())
    if not (lowest >= LOWEST_K and highest <= HIGHEST_K):
        bad = ~((temperature_K >= LOWEST_K) & (temperature_K <= HIGHEST_K))
        member, at = np.argwhere(bad)[0] if bad.ndim == 2 else (0, int(np.flatnonzero(bad)[0]))
        value = float(np.atleast_2d(temperature_K)[member, at])
        where = f"steel temperature at {time_s[at]:g} s"
        if not np.isfinite(value):
            raise InputFault(Fault(where, f"{value}", "a temperature (gaps are filled before this point)"))
        raise OutOfRange(where, value, LOWEST_K, HIGHEST_K, "K", "iron-carbon phase fits")


def closed_windows(time_s: FloatArray, temperature_K: FloatArray) -> tuple[TemperatureWindows, int]:
    """Windows that samples [s], (n,) and [K], (m, n) complete, the first sample being the start of the first window.

    Returns    the windows, and the number of the sample the next window starts with
    """
    ends = _ends(time_s)
    members = temperature_K.shape[0]
    if ends.size == 0:
        return no_windows(float(time_s[0]), members), 0
    blocks = []
    begin, first = 0, 0
    while first < ends.size:
        to = int(ends.searchsorted(begin + max(BLOCK_SAMPLES // members, 1), side="right"))
        to = max(to, first + 1)
        end = int(ends[to - 1])
        blocks.append(_windows(time_s[begin : end + 1], temperature_K[:, begin : end + 1], ends[first:to] - begin))
        begin, first = end, to
    return _joined(blocks), begin


def _ends(time_s: FloatArray) -> np.ndarray:
    """Numbers of the samples [s] that close a window: the first in another ten seconds than the one before."""
    found = []
    for first in range(0, max(time_s.size - 1, 1), BLOCK_SAMPLES):
        ten_seconds = time_s[first : first + BLOCK_SAMPLES + 1] / WINDOW_S
        np.floor(ten_seconds, out=ten_seconds)
        found.append(np.flatnonzero(ten_seconds[1:] > ten_seconds[:-1]) + (first + 1))
    return found[0] if len(found) == 1 else np.concatenate(found)


def _joined(blocks: list[TemperatureWindows]) -> TemperatureWindows:
    """Windows of one stretch of time after the other as one."""
    if len(blocks) == 1:
        return blocks[0]
    return TemperatureWindows(
        blocks[0].start_s,
        np.concatenate([block.end_s for block in blocks]),
        np.concatenate([block.hot_s for block in blocks], axis=1),
        np.concatenate([block.temperature_K for block in blocks], axis=1),
        np.concatenate([block.mobility for block in blocks], axis=1),
        blocks[0].before,
    )


def open_window(time_s: FloatArray, temperature_K: FloatArray) -> TemperatureWindows:
    """What the samples of a window that has not closed yet amount to so far."""
    if time_s.size < 2:
        return no_windows(float(time_s[0]) if time_s.size else 0.0, temperature_K.shape[0])
    return _windows(time_s, temperature_K, np.array([time_s.size - 1]))


def _windows(time_s: FloatArray, temperature_K: FloatArray, ends: np.ndarray) -> TemperatureWindows:
    starts = np.concatenate([[0], ends[:-1]])
    wide = _widest_K(temperature_K, starts, ends) > WIDEST_WINDOW_K
    single = ends - starts == 1
    if np.any(wide) or np.any(single):
        ends, time_s, temperature_K = _split(time_s, temperature_K, starts, ends, wide)
        starts = np.concatenate([[0], ends[:-1]])
    duration_s = np.diff(time_s)
    hot_s, relative = _hot_and_mobility(duration_s, temperature_K, starts)
    average_K = mobility_temperature_K(relative)
    before = np.zeros((3, len(relative)))
    return TemperatureWindows(float(time_s[0]), time_s[ends], hot_s, average_K, relative, before)


def _widest_K(temperature_K: FloatArray, starts: np.ndarray, ends: np.ndarray) -> FloatArray:
    """For each window, (k,), how many degrees it spans in the member in which it spans most [K]."""
    highest = np.maximum(temperature_K[:, starts], temperature_K[:, ends])
    lowest = np.minimum(temperature_K[:, starts], temperature_K[:, ends])
    each = int(ends[0] - starts[0])
    if ends.size > each and np.all(ends - starts == each):
        # As many samples in every window, as nearly always: number by number through all windows is far quicker.
        for number in range(1, each):
            samples = temperature_K[:, number : number + each * ends.size : each]
            np.maximum(highest, samples, out=highest)
            np.minimum(lowest, samples, out=lowest)
    else:
        np.maximum(highest, np.maximum.reduceat(temperature_K[:, :-1], starts, axis=1), out=highest)
        np.minimum(lowest, np.minimum.reduceat(temperature_K[:, :-1], starts, axis=1), out=lowest)
    highest -= lowest
    widest: FloatArray = highest.max(axis=0)
    return widest


def _hot_and_mobility(
    duration_s: FloatArray, temperature_K: FloatArray, starts: np.ndarray
) -> tuple[FloatArray, FloatArray]:
    """For each window the seconds above A1 and the mean mobility in them, (m, k)."""
    hot_s = duration_s
    if float(temperature_K.min()) <= A1_K:
        hot_s = duration_s * _hot_part(temperature_K)
        temperature_K = np.maximum(temperature_K, A1_K)
    exponent = MOBILITY_ENERGY_K / temperature_K
    np.subtract(MOBILITY_ENERGY_K / MOBILITY_REFERENCE_K, exponent, out=exponent)
    # Mean of exp over a linear exponent, to fourth order in its change.
    bend = exponent[:, 1:] - exponent[:, :-1]
    bend *= bend
    bend *= -1.0 / 12.0
    bend += 1.0
    value = np.exp(exponent, out=exponent)
    weighted = value[:, 1:] + value[:, :-1]
    weighted *= bend
    weighted *= 0.5 * hot_s
    window_hot_s = np.add.reduceat(hot_s, starts, axis=-1)
    work_s = np.add.reduceat(weighted, starts, axis=1)
    if float(window_hot_s.min()) > 0.0:
        relative: FloatArray = work_s / window_hot_s
        return np.broadcast_to(window_hot_s, relative.shape), relative
    hot = window_hot_s > 0.0
    return window_hot_s, np.where(hot, work_s / np.where(hot, window_hot_s, 1.0), mobility(np.array(A1_K)))


def _hot_part(temperature_K: FloatArray) -> FloatArray:
    """Part of each sampling interval spent above A1, temperature being linear in it."""
    hot = temperature_K > A1_K
    part = (hot[:, 1:] & hot[:, :-1]).astype(float)
    crossing = hot[:, 1:] != hot[:, :-1]
    if np.any(crossing):
        high = np.maximum(temperature_K[:, 1:], temperature_K[:, :-1])[crossing]
        low = np.minimum(temperature_K[:, 1:], temperature_K[:, :-1])[crossing]
        part[crossing] = (high - A1_K) / (high - low)
    return part


def _split(
    time_s: FloatArray, temperature_K: FloatArray, starts: np.ndarray, ends: np.ndarray, wide: np.ndarray
) -> tuple[np.ndarray, FloatArray, FloatArray]:
    """Samples with interpolated ones put in, and window ends, so that no window spans too many degrees."""
    is_end = np.zeros(time_s.size, dtype=bool)
    is_end[ends] = True
    inside_wide = np.repeat(wide, ends - starts)  # for each sampling interval: is its window wide?
    is_end[1:] |= inside_wide
    interval_alone = is_end[1:] & np.concatenate([[True], is_end[1:-1]])
    change_K = np.max(np.abs(np.diff(temperature_K, axis=1)), axis=0)
    pieces = np.where(interval_alone, np.maximum(np.ceil(change_K / WIDEST_INTERVAL_K), 1.0), 1.0).astype(np.int64)
    if np.all(pieces == 1):
        return np.flatnonzero(is_end), time_s, temperature_K
    interval = np.repeat(np.arange(pieces.size), pieces)
    first = np.cumsum(pieces) - pieces
    part = (np.arange(interval.size) - first[interval] + 1.0) / pieces[interval]
    inner = part < 1.0
    new_time_s = np.where(inner, time_s[interval] + part * np.diff(time_s)[interval], time_s[interval + 1])
    new_K = np.where(
        inner,
        temperature_K[:, interval] + part * np.diff(temperature_K, axis=1)[:, interval],
        temperature_K[:, interval + 1],
    )
    new_end = inner | is_end[1:][interval]
    all_time_s = np.concatenate([time_s[:1], new_time_s])
    all_K = np.concatenate([temperature_K[:, :1], new_K], axis=1)
    return np.flatnonzero(new_end) + 1, all_time_s, all_K
