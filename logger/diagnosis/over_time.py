"""What a watched stretch says about thermocouple, heater and clocks. Pure.

The suspicions of `logger.reading_quality` are turned into causes; a second thermocouple in the same oven, where there
is one, tells causes apart that look alike from one alone.
"""

from collections.abc import Iterable, Sequence
from math import isfinite, nan
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from logger.controllers.settings import ThermocoupleType
from logger.controllers.thermocouple_emf import OutsideTable, hot_junction_K, millivolts_from_temperature
from logger.diagnosis.failures import Certainty, Diagnosis, Failure, Interruption, Sample, Stretch
from logger.reading import Quality
from logger.reading_quality import Suspicion
from logger.units import DisplayUnits

FloatArray = NDArray[np.float64]

STEADY_S: Final = 600.0
"""Two thermocouples are compared only where both were steady for so long [s] (our choice)."""

STEADY_K_PER_S: Final = 1.0 / 60.0
"""Steady: no faster than this [K/s] (our choice)."""

APART_K, APART_SHARE = 10.0, 0.015
"""Two thermocouples in one steady oven may differ by this much [K], and this share of the Celsius reading: two type K
of standard tolerance (0.75 % each, ASTM E230) and some unevenness of the oven."""

TYPE_FITS_SHARE: Final = 0.04
"""How well another type's table must explain the difference, as a share of the Celsius reading (our choice)."""

HIGH_SHARE: Final = 0.15
"""Nothing but the wrong type makes a thermocouple read so much too high, as a share of the Celsius reading (our
choice); too low is a tip pulled back as well."""

DRIFT_SPAN_S, DRIFT_K, DRIFT_GOES_ON = 5400.0, 2.0, 0.7
"""A difference that changes over at least this long [s], by this much [K] from the middle third to the last, and by no
less than this share of what it did before, is drift: a canister that is catching up slows down (our choice)."""

COOLED_K: Final = 5.0
"""An oven this much cooler [K] after a silence was without power, or open, meanwhile (our choice)."""

SWITCH: Final = 0.3
"""A change of output by this fraction of full power is a switching (our choice)."""


def judge_stretch(seen: Stretch, units: DisplayUnits | None = None) -> list[Diagnosis]:
    """What a watched stretch of one channel says."""
    units = units or DisplayUnits()
    found: list[Diagnosis] = []
    found.extend(_frozen(seen))
    found.extend(_breaks(seen))
    found.extend(_rescaled(seen))
    found.extend(_spikes(seen))
    found.extend(_heating(seen))
    found.extend(_thermocouple(seen, units))
    return found


def _held(seen: Stretch, suspicion: Suspicion) -> bool:
    return suspicion.value in seen.suspicions


def _frozen(seen: Stretch) -> Iterable[Diagnosis]:
    if not _held(seen, Suspicion.FROZEN):
        return
    count = sum(sample.quality is Quality.FROZEN for sample in seen.samples)
    yield Diagnosis(
        Failure.FROZEN,
        seen.channel,
        "the value stands still although the oven does not",
        f"{count} of {len(seen.samples)} readings are the same number over and over; none of them is counted",
        (
            "look at the display: if it moves, this register is a stale copy or the set point (soaktally find)",
            "if the display stands still too, switch the controller off and on when the oven can bear it",
        ),
    )


def _breaks(seen: Stretch) -> Iterable[Diagnosis]:
    opened = sum(sample.quality is Quality.SENSOR_OPEN for sample in seen.samples)
    good = sum(sample.quality is Quality.GOOD for sample in seen.samples)
    if not opened:
        return
    zero = _held(seen, Suspicion.EXACT_ZERO)
    if zero:
        yield Diagnosis(
            Failure.BREAK_CODE,
            seen.channel,
            "exactly zero where the oven is not: a dead amplifier or an empty register",
            f"{opened} of {len(seen.samples)} readings; none of them is counted",
            (
                "compare with the display; if it shows a temperature, this is another register (soaktally find)",
                "if it shows zero too, look at the thermocouple and its amplifier",
            ),
            Certainty.ONE_OF_SEVERAL,
        )
        return
    yield Diagnosis(
        Failure.BREAK_CODE,
        seen.channel,
        "the sensor opens now and then" if good else "the controller reports an open sensor",
        f"{opened} of {len(seen.samples)} readings were a code for an open sensor; none of them is counted",
        ("tighten connector and terminals; bend the thermocouple gently while watching", "replace the thermocouple"),
    )


def _rescaled(seen: Stretch) -> Iterable[Diagnosis]:
    if not _held(seen, Suspicion.RESCALED):
        return
    yield Diagnosis(
        Failure.MISREAD,
        seen.channel,
        "the display was switched to another unit, or another decimal point, meanwhile",
        "the reading jumped to the very number that such a change makes of it; it is not counted",
        (
            "switch the display back",
            "or change unit or scale in the oven file; a controller that has a decimal point register can say itself",
        ),
        Certainty.LIKELY,
    )


def _spikes(seen: Stretch) -> Iterable[Diagnosis]:
    spikes = [at for at, sample in enumerate(seen.samples) if sample.quality is Quality.SPIKE]
    if _held(seen, Suspicion.RESCALED) or (len(spikes) < 3 and not _held(seen, Suspicion.SPIKES)):
        return
    switched = {at for at in range(1, len(seen.samples)) if _switches(seen.samples[at - 1], seen.samples[at])}
    with_switch = sum(bool({at - 1, at, at + 1} & switched) for at in spikes)
    by_chance = min(1.0, 3.0 * len(switched) / max(1, len(seen.samples)))
    together = len(spikes) >= 3 and with_switch >= 0.8 * len(spikes) and by_chance < 0.5
    number = f"{len(spikes)} of {len(seen.samples)} readings jump and come back; none of them is counted"
    if together:
        yield Diagnosis(
            Failure.SPIKES,
            seen.channel,
            "spikes come with the heater's switching: its current gets into the thermocouple's wires",
            f"{number}; {with_switch} of them when the output switched",
            (
                "lead the thermocouple's wires away from the heater's, crossing them at right angles",
                "use a shielded extension, its shield grounded at one end only",
                "use an ungrounded thermocouple, or an isolated adapter",
            ),
            Certainty.LIKELY,
            stands_in_the_way=False,
        )
        return
    yield Diagnosis(
        Failure.SPIKES,
        seen.channel,
        "spikes: a ground loop, the heater's switching, or a loose terminal",
        number,
        (
            "run the computer on its battery for a while: if the spikes stop, use an isolated adapter",
            "tighten every terminal of the thermocouple",
            "see whether they come with the heater's switching; then lead the wires away from the heater's",
        ),
        Certainty.ONE_OF_SEVERAL,
        stands_in_the_way=False,
    )


def _switches(before: Sample, after: Sample) -> bool:
    return isfinite(before.output) and isfinite(after.output) and abs(after.output - before.output) >= SWITCH


_BREAKER: Final = (
    "if someone can get there safely, switch the oven off at the breaker, not only at the controller; soaktally "
    "cannot. Local codes and a licensed electrician come first"
)


def _heating(seen: Stretch) -> Iterable[Diagnosis]:
    if _held(seen, Suspicion.RISING_WITHOUT_HEAT):
        yield Diagnosis(
            Failure.HEATING,
            seen.channel,
            "the oven rises although the controller asks for no heat: a relay or contactor is stuck closed",
            _course(seen, "at 0 % output"),
            (_BREAKER, "have the relay replaced, and an independent over-temperature cut-out fitted"),
            Certainty.LIKELY,
        )
    if _held(seen, Suspicion.FALLING_AT_FULL_HEAT):
        yield Diagnosis(
            Failure.HEATING,
            seen.channel,
            "the oven falls although the controller asks for all its heat",
            _course(seen, "at 100 % output"),
            (
                "see whether the door is open",
                "breaker off; then have a licensed electrician look at elements, fuse, relay and their wires",
            ),
            Certainty.ONE_OF_SEVERAL,
        )
    elif _held(seen, Suspicion.NO_PROGRESS):
        yield Diagnosis(
            Failure.HEATING,
            seen.channel,
            "no progress although the controller asks for all its heat: the hold will not be reached",
            _course(seen, "at 100 % output"),
            (
                "one of several elements may be dead, or the mains low; have a licensed electrician look",
                "or the oven is at the end of what it can: a lower set point, a smaller load, a better closed door",
            ),
            Certainty.ONE_OF_SEVERAL,
        )


def _course(seen: Stretch, when: str) -> str:
    good = [sample for sample in seen.samples if sample.quality is Quality.GOOD]
    if not good:
        return when
    change_K = good[-1].temperature_K - good[0].temperature_K
    return f"{when}; {change_K:+.0f} K over the {(good[-1].time_s - good[0].time_s) / 60.0:.0f} min that were watched"


def _thermocouple(seen: Stretch, units: DisplayUnits) -> Iterable[Diagnosis]:
    if _held(seen, Suspicion.FALLING_ON_HEATING):
        yield Diagnosis(
            Failure.THERMOCOUPLE,
            seen.channel,
            "the thermocouple's two wires are swapped: it falls while the oven is heated",
            _course(seen, "while heated from cold"),
            (
                "switch the oven off: a controller that sees its oven falling heats without end",
                "breaker off, then swap the two wires at one end only; of type K the magnetic leg is the negative one",
            ),
        )
        return
    if _held(seen, Suspicion.STAYS_COLD):
        second_rose = _rose(seen.second)
        yield Diagnosis(
            Failure.THERMOCOUPLE,
            seen.channel,
            "the thermocouple's lead is shorted on the way: it reads the temperature of the short"
            if second_rose
            else "it stays cold while heated: the thermocouple's lead is shorted on the way, or nothing heats",
            _course(seen, "while heated from cold") + (f"; {seen.second_channel} rose" if second_rose else ""),
            (
                "look into the oven, without touching anything: does it glow?",
                "it glows: switch it off, and look where the two wires of the thermocouple touch before its tip",
                "it does not: breaker off, and a licensed electrician for elements, fuse and relay",
            ),
            Certainty.SURE if second_rose else Certainty.ONE_OF_SEVERAL,
        )
        return
    yield from _against_second(seen, units)


def _rose(samples: Sequence[Sample], by_K: float = 15.0) -> bool:
    good = [sample.temperature_K for sample in samples if sample.quality is Quality.GOOD]
    return len(good) > 1 and good[-1] - good[0] >= by_K


def _against_second(seen: Stretch, units: DisplayUnits) -> Iterable[Diagnosis]:
    """What the difference to a second thermocouple says, where both stood steady."""
    steady = steady_pairs(seen)
    if len(steady) == 0:
        return
    time_s, own_K, other_K = steady.T
    apart_K = own_K - other_K
    celsius = np.abs(other_K - 273.15)
    at_last = slice(-max(1, len(apart_K) // 4), None)
    last_K, allowed_K = float(np.median(apart_K[at_last])), APART_K + APART_SHARE * float(celsius[-1])
    between = (
        f"{seen.channel} and {seen.second_channel} are {_difference(units, apart_K[0])} apart at first, "
        f"{_difference(units, apart_K[-1])} at last, both steady"
    )
    if _drifts(time_s, apart_K):
        yield Diagnosis(
            Failure.THERMOCOUPLE,
            seen.channel,
            "one of two thermocouples drifts",
            between,
            (
                "hold a third one beside them, or check one against a known point; the odd one out is the drifting one",
                "thin type K drifts near and above 1000 C; one that has been that hot should not be used lower again",
            ),
            Certainty.LIKELY,
        )
        return
    if abs(last_K) <= allowed_K:
        return
    wired = types_that_fit(own_K[at_last], other_K[at_last], seen.thermocouple, seen.room_K)
    if len(wired) == 1 and last_K > HIGH_SHARE * celsius[-1]:
        yield Diagnosis(
            Failure.THERMOCOUPLE,
            seen.channel,
            f"it reads like a type {wired[0]} thermocouple on an input set for type {seen.thermocouple}",
            between,
            (
                "compare the thermocouple's marking with the input type in the controller's menu",
                "until that is put right, none of its readings is what the oven is at",
            ),
            Certainty.LIKELY,
        )
        return
    low = last_K < 0.0
    like = (
        (
            f"compare the thermocouple's marking with the input's type: type {wired[0]} on an input set for type "
            f"{seen.thermocouple} reads just so at this temperature",
        )
        if wired
        else ()
    )
    yield Diagnosis(
        Failure.THERMOCOUPLE,
        seen.channel,
        f"it reads {'lower' if low else 'higher'} than {seen.second_channel} in a steady oven",
        between,
        (
            "see that the tip is as deep in the oven as it was: pulled back into the wall it reads low"
            if low
            else f"see that the tip of {seen.second_channel} is where it should be: pulled back it reads low",
            *like,
            "look for wires swapped twice, in the head and at the controller: it then reads low by twice what the head "
            "is warmer",
            "see that the extension wire is of the thermocouple's own type: copper is off by how warm the head is",
            "change the two thermocouples' places: does the difference stay with the place or go with the wire?",
        ),
        Certainty.ONE_OF_SEVERAL,
    )


def _drifts(time_s: FloatArray, apart_K: FloatArray) -> bool:
    """Whether the difference goes on changing at a pace that does not die away."""
    span_s = time_s[-1] - time_s[0]
    if span_s < DRIFT_SPAN_S:
        return False
    thirds = np.minimum((3.0 * (time_s - time_s[0]) / span_s).astype(int), 2)
    if len(np.unique(thirds)) < 3:
        return False
    first, middle, last = (float(np.median(apart_K[thirds == third])) for third in range(3))
    early_K, late_K = middle - first, last - middle
    return abs(late_K) >= DRIFT_K and early_K * late_K > 0.0 and abs(late_K) >= DRIFT_GOES_ON * abs(early_K)


def _difference(units: DisplayUnits, change_K: float) -> str:
    return f"{units.temperature_difference(float(change_K)):+.1f} {units.temperature}"


def steady_pairs(seen: Stretch) -> FloatArray:
    """Times [s] and the two temperatures [K] where both channels were good and steady; shape (n, 3)."""
    rows = [
        (one.time_s, one.temperature_K, other.temperature_K)
        for one, other in zip(seen.samples, seen.second, strict=False)
        if one.quality is Quality.GOOD and other.quality is Quality.GOOD
    ]
    if len(rows) < 3:
        return np.empty((0, 3))
    table = np.array(rows)
    kept = []
    for row in table:
        before = table[(table[:, 0] > row[0] - STEADY_S) & (table[:, 0] <= row[0])]
        if row[0] - table[0, 0] < STEADY_S or len(before) < 3:
            continue
        span_s = before[-1, 0] - before[0, 0]
        if span_s < 0.8 * STEADY_S:
            continue
        slopes = [np.polyfit(before[:, 0], before[:, column], 1)[0] for column in (1, 2)]
        if max(abs(slope) for slope in slopes) <= STEADY_K_PER_S:
            kept.append(row)
    return np.array(kept) if kept else np.empty((0, 3))


def types_that_fit(own_K: FloatArray, other_K: FloatArray, set_for: str, room_K: float) -> list[ThermocoupleType]:
    """Thermocouple types that, wired to an input set for another, read as was seen.

    Parameters
    ----------
    own_K, other_K : what the suspect and a trusted thermocouple read [K], shape (n,), both steady
    set_for : the type the input is set for
    room_K : temperature of the terminals [K]; NaN takes 298.15
    """
    terminals_K = room_K if isfinite(room_K) else 298.15
    fitting: list[ThermocoupleType] = []
    at = [0, len(own_K) // 2, len(own_K) - 1]
    for kind in get_args(ThermocoupleType):
        if kind == set_for:
            continue
        misses = [_misread_K(float(other_K[i]), terminals_K, kind, set_for) - float(own_K[i]) for i in at]
        limits = [max(10.0, TYPE_FITS_SHARE * abs(float(other_K[i]) - 273.15)) for i in at]
        if all(abs(miss) <= limit for miss, limit in zip(misses, limits, strict=True)):
            fitting.append(kind)
    return fitting


def _misread_K(true_K: float, terminals_K: float, wired: ThermocoupleType, set_for: str) -> float:
    """What an input set for one type makes of another type's thermocouple at a temperature [K]; NaN outside."""
    try:
        emf_mV = millivolts_from_temperature(true_K, terminals_K, wired)
        return hot_junction_K(emf_mV, terminals_K, set_for)  # type: ignore[arg-type]
    except OutsideTable:
        return nan


# -- gaps and clocks ---------------------------------------------------------------------------------------------


def judge_interruptions(found: Sequence[Interruption], stretches: Sequence[Stretch]) -> list[Diagnosis]:
    """What interruptions of the watched stretch mean: a pulled plug, a power cut, a sleeping computer, a clock."""
    diagnoses: list[Diagnosis] = []
    losses = [each for each in found if each.kind == "lost"]
    for where in dict.fromkeys(each.where for each in losses):
        first = next(each for each in losses if each.where == where)
        again = next((each for each in found if each.kind == "restored" and each.time_s > first.time_s), None)
        lasted = "it has not come back" if again is None else f"back after {again.time_s - first.time_s:.0f} s"
        diagnoses.append(_interrupted(first, lasted, again is not None, _cooled_K(first, again, stretches)))
    for each in found:
        if each.kind == "paused":
            diagnoses.append(
                Diagnosis(
                    Failure.GAPS_AND_CLOCKS,
                    "this computer",
                    "it slept, or had no time: nothing was asked meanwhile",
                    each.why,
                    ("switch off sleep while an oven is watched", "the gap is marked in the record, never filled"),
                )
            )
        elif each.kind == "clock":
            diagnoses.append(
                Diagnosis(
                    Failure.GAPS_AND_CLOCKS,
                    "this computer",
                    "its wall clock jumped",
                    each.why,
                    ("nothing to do for the run: it is timed by a steady clock, and the jump is noted",),
                    stands_in_the_way=False,
                )
            )
    return diagnoses


def _cooled_K(lost: Interruption, restored: Interruption | None, stretches: Sequence[Stretch]) -> float:
    """How much cooler the oven was after an interruption than before [K]; NaN where nobody can say."""
    if restored is None:
        return nan
    for stretch in stretches:
        good = [sample for sample in stretch.samples if sample.quality is Quality.GOOD]
        before = [sample for sample in good if sample.time_s <= lost.time_s]
        after = [sample for sample in good if sample.time_s >= restored.time_s]
        if before and after:
            return before[-1].temperature_K - after[0].temperature_K
    return nan


def _interrupted(first: Interruption, lasted: str, came_back: bool, cooled_K: float) -> Diagnosis:
    seen = f"{first.why}; {lasted}"
    if "not there" in first.why or ": lost" in first.why or "closed" in first.why:
        return Diagnosis(
            Failure.PORT_MISSING,
            first.where,
            "the adapter, or the connection, went away" + (" and came back" if came_back else ""),
            seen,
            (
                "look at plug and cable; avoid hubs without power of their own",
                "use the adapter's name under /dev/serial/by-id: it is found again there under any other name",
            ),
            Certainty.LIKELY,
            stands_in_the_way=not came_back,
        )
    if isfinite(cooled_K) and cooled_K >= COOLED_K:
        return Diagnosis(
            Failure.GAPS_AND_CLOCKS,
            first.where,
            "the oven was without power for a while: it fell silent, and was cooler when it answered again",
            f"{seen}; {cooled_K:.0f} K cooler",
            (
                "the gap is marked, and widens the band of every result; nothing is filled in",
                "see what the controller's program did after the cut: many go on, some begin anew",
            ),
            Certainty.LIKELY,
            stands_in_the_way=not came_back,
        )
    return Diagnosis(
        Failure.GAPS_AND_CLOCKS if came_back else Failure.SILENCE,
        first.where,
        "no answer for a while" if came_back else "it stopped answering",
        seen,
        (
            "look at the controller's power and at the plugs",
            "the gap is marked, and widens the band of every result; nothing is filled in",
        ),
        Certainty.ONE_OF_SEVERAL,
        stands_in_the_way=not came_back,
    )
