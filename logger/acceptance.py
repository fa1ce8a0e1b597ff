"""Soak acceptance as an audit asks for it: tolerance, uniformity, time, alarms, who answered them, calibrations.

Every question is answered yes, no, or not shown; the soak is accepted only if none is answered no and none is not
shown. Thermocouples count with their calibration's correction. Nothing here judges the steel: the piece may be good
after a soak that cannot be accepted.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import isfinite

import numpy as np

from logger.alert import AlertEvent, Phase
from logger.alert_rules import Severity
from logger.history import History, longest_bridge_s
from logger.remark import Remark
from logger.thermocouple import Thermocouple
from logger.units import FloatArray

SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Requirement:
    """What a soak must show.

    ``temperature_K`` and ``half_band_K`` either side of it [K] for ``soak_s`` [s] without a break, on every
    thermocouple of ``channels`` (empty: all); ``uniformity_K`` the most they may differ at one moment [K], None where
    that is not asked; ``calibrated_within_days`` how old a calibration may be, None where that is not asked.
    """

    temperature_K: float
    half_band_K: float
    soak_s: float
    uniformity_K: float | None = None
    calibrated_within_days: float | None = 365.0
    channels: tuple[str, ...] = ()

    @property
    def low_K(self) -> float:
        """Lower end of the tolerance [K]."""
        return self.temperature_K - self.half_band_K

    @property
    def high_K(self) -> float:
        """Upper end of the tolerance [K]."""
        return self.temperature_K + self.half_band_K


class Answer(StrEnum):
    """How a question was answered."""

    YES = "yes"
    NO = "no"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Question:
    """One question of the audit: what is asked, the answer, and why."""

    asked: str
    answer: Answer
    reason: Remark


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answers, with the soak they are about: from and to in run time [s], None where there is none."""

    requirement: Requirement
    questions: tuple[Question, ...]
    soak_from_s: float | None
    soak_to_s: float | None

    @property
    def accepted(self) -> bool:
        """Whether every question is answered yes."""
        return all(question.answer is Answer.YES for question in self.questions)

    @property
    def words(self) -> str:
        """The verdict in words."""
        if self.accepted:
            return "accepted"
        refused = any(question.answer is Answer.NO for question in self.questions)
        return "not accepted" if refused else "not accepted: not everything could be shown"


def judge(
    requirement: Requirement,
    histories: Mapping[str, History],
    thermocouples: Mapping[str, Thermocouple],
    *,
    alert_events: Sequence[AlertEvent] = (),
    started_utc_s: float | None = None,
    finished: bool = True,
    steel_soak_s: float | None = None,
    steel_soak_low_s: float | None = None,
) -> Verdict:
    """The verdict on a run's soak.

    Parameters
    ----------
    requirement : what is asked
    histories : the run's temperature channels as recorded
    thermocouples : what is known of each channel's thermocouple
    alert_events : the run's alerts
    started_utc_s : when the run began [s since 1970 UTC]; None where that is not known
    finished : whether the run is over
    steel_soak_s, steel_soak_low_s : the steel's estimated time at heat where it is not measured [s], and its 5 %
    """
    chosen = [name for name in (requirement.channels or tuple(histories)) if name in histories]
    absent = [name for name in requirement.channels if name not in histories]
    time_s, corrected_K, interval_s = _together({name: histories[name] for name in chosen}, thermocouples)
    soak = _longest_soak(requirement, time_s, corrected_K, interval_s)
    questions = [
        _in_time(requirement, soak, absent),
        *_steel(requirement, steel_soak_s, steel_soak_low_s),
        _never_above(requirement, time_s, corrected_K),
        _uniform(requirement, time_s, corrected_K, soak, chosen),
        _answered(alert_events),
        *_calibrated(requirement, chosen, thermocouples, started_utc_s),
        Question(
            "The run is over and closed",
            Answer.YES if finished else Answer.NO,
            Remark("closed" if finished else "the run is still going"),
        ),
    ]
    asked = tuple(question for question in questions if question is not None)
    return Verdict(requirement, asked, None if soak is None else soak[0], None if soak is None else soak[1])


def _together(
    histories: Mapping[str, History], thermocouples: Mapping[str, Thermocouple]
) -> tuple[FloatArray, FloatArray, float]:
    """All channels on one time base (n,), corrected (channels, n) [K], NaN where there was no reading; interval [s].

    A reading holds until the next of its channel is due, no longer.
    """
    if not histories:
        return np.empty(0), np.empty((0, 0)), 0.0
    time_s = np.unique(np.concatenate([history.time_s for history in histories.values()]))
    interval_s = max(history.interval_s for history in histories.values())
    rows = []
    for name, history in histories.items():
        kelvin = thermocouples.get(name, Thermocouple()).correction.corrected_K(history.temperature_K)
        place = np.searchsorted(history.time_s, time_s, side="right") - 1
        row = (
            np.where(place >= 0, kelvin[np.maximum(place, 0)], np.nan) if len(history) else np.full(time_s.size, np.nan)
        )
        age_s = time_s - history.time_s[np.maximum(place, 0)] if len(history) else np.full(time_s.size, np.inf)
        rows.append(np.where(age_s <= max(1.5 * interval_s, 1e-6), row, np.nan))
    return time_s, np.array(rows), interval_s


def _longest_soak(
    requirement: Requirement, time_s: FloatArray, kelvin: FloatArray, interval_s: float
) -> tuple[float, float] | None:
    """The longest unbroken time with every thermocouple in tolerance, from and to [s]; None where there is none.

    A reading or two that is missing breaks nothing; a gap does.
    """
    usable = np.all(np.isfinite(kelvin), axis=0) if kelvin.size else np.zeros(0, dtype=bool)
    time_s, kelvin = time_s[usable], kelvin[:, usable]
    if not time_s.size:
        return None
    inside = np.all((kelvin >= requirement.low_K) & (kelvin <= requirement.high_K), axis=0)
    holes = np.diff(time_s, prepend=time_s[0]) > longest_bridge_s(interval_s)
    best: tuple[float, float] | None = None
    begin: int | None = None
    for place in range(time_s.size + 1):
        going = place < time_s.size and bool(inside[place]) and not (begin is not None and holes[place])
        if going and begin is None:
            begin = place
        elif not going and begin is not None:
            span = (float(time_s[begin]), float(time_s[place - 1]))
            if best is None or span[1] - span[0] > best[1] - best[0]:
                best = span
            begin = place if place < time_s.size and bool(inside[place]) else None
    return best


def _minutes(duration_s: float) -> str:
    hours, minutes = divmod(int(duration_s / 60.0), 60)  # whole minutes that have really passed
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def _in_time(requirement: Requirement, soak: tuple[float, float] | None, absent: list[str]) -> Question:
    asked = "Every thermocouple was read and in tolerance for the time asked, without a break"
    wanted = _minutes(requirement.soak_s)
    if absent:
        return Question(asked, Answer.NOT_SHOWN, Remark("no readings of {channels}", channels=", ".join(absent)))
    if soak is None:
        remark = Remark("never from {low_K} to {high_K}", low_K=requirement.low_K, high_K=requirement.high_K)
        return Question(asked, Answer.NO, remark)
    length_s = soak[1] - soak[0]
    remark = Remark(
        "{found} from {low_K} to {high_K}, {wanted} asked",
        found=_minutes(length_s),
        low_K=requirement.low_K,
        high_K=requirement.high_K,
        wanted=wanted,
    )
    return Question(asked, Answer.YES if length_s >= requirement.soak_s else Answer.NO, remark)


def _steel(requirement: Requirement, soak_s: float | None, low_s: float | None) -> list[Question]:
    """Where the thermocouples are outside the load, the steel lags behind them: its own time counts as well."""
    if soak_s is None:
        return []
    asked = "The steel inside, as estimated, was at heat for the time asked"
    safe_s = soak_s if low_s is None or not isfinite(low_s) else min(low_s, soak_s)
    remark = Remark(
        "{found} ({least} on the cautious side), {wanted} asked",
        found=_minutes(soak_s),
        least=_minutes(safe_s),
        wanted=_minutes(requirement.soak_s),
    )
    if safe_s >= requirement.soak_s:
        return [Question(asked, Answer.YES, remark)]
    return [Question(asked, Answer.NO if soak_s < requirement.soak_s else Answer.NOT_SHOWN, remark)]


def _never_above(requirement: Requirement, time_s: FloatArray, kelvin: FloatArray) -> Question:
    asked = "No thermocouple went above the tolerance"
    if not np.isfinite(kelvin).any():
        return Question(asked, Answer.NOT_SHOWN, Remark("no reading to be believed"))
    highest_K = float(np.nanmax(kelvin))
    over_s = float(np.diff(time_s, append=time_s[-1])[np.any(kelvin > requirement.high_K, axis=0)].sum())
    if highest_K <= requirement.high_K:
        return Question(asked, Answer.YES, Remark("hottest {peak_K}", peak_K=highest_K))
    return Question(
        asked,
        Answer.NO,
        Remark(
            "hottest {peak_K}, {over} above {high_K}",
            peak_K=highest_K,
            over=_minutes(over_s),
            high_K=requirement.high_K,
        ),
    )


def _uniform(
    requirement: Requirement,
    time_s: FloatArray,
    kelvin: FloatArray,
    soak: tuple[float, float] | None,
    channels: list[str],
) -> Question | None:
    if requirement.uniformity_K is None:
        return None
    asked = "The thermocouples agreed with each other during the soak"
    if len(channels) < 2:
        return Question(asked, Answer.NOT_SHOWN, Remark("only one thermocouple: uniformity takes at least two"))
    if soak is None:
        return Question(asked, Answer.NOT_SHOWN, Remark("no soak"))
    during = kelvin[:, (time_s >= soak[0]) & (time_s <= soak[1]) & np.all(np.isfinite(kelvin), axis=0)]
    most_K = float((during.max(axis=0) - during.min(axis=0)).max())
    remark = Remark(
        "most apart {most_diff_K}, {allowed_diff_K} allowed",
        most_diff_K=most_K,
        allowed_diff_K=requirement.uniformity_K,
    )
    return Question(asked, Answer.YES if most_K <= requirement.uniformity_K else Answer.NO, remark)


def _answered(events: Sequence[AlertEvent]) -> Question:
    asked = "Every alarm was acknowledged by somebody"
    raised = [one for one in events if one.phase is Phase.RAISED and one.severity is not Severity.NEWS]
    if not raised:
        return Question(asked, Answer.YES, Remark("no alarm was raised"))
    said, open_ones = [], []
    for one in raised:
        answer = next(
            (
                later
                for later in events
                if later.phase is Phase.ACKNOWLEDGED
                and (later.kind, later.key, later.episode) == (one.kind, one.key, one.episode)
            ),
            None,
        )
        if answer is None:
            open_ones.append(one.title)
        else:
            _, by, who = answer.message.rpartition("Acknowledged by ")
            said.append(f"{one.title} by {who.rstrip('.') if by else 'somebody without a name'}")
    parts = [f"not acknowledged: {', '.join(open_ones)}"] if open_ones else []
    parts += [f"acknowledged: {', '.join(said)}"] if said else []
    return Question(asked, Answer.NO if open_ones else Answer.YES, Remark("{said}", said="; ".join(parts)))


def _calibrated(
    requirement: Requirement,
    channels: list[str],
    thermocouples: Mapping[str, Thermocouple],
    started_utc_s: float | None,
) -> list[Question]:
    allowed = requirement.calibrated_within_days
    if allowed is None:
        return []
    found = []
    for channel in channels:
        asked = f"The calibration of {channel} was in force"
        day = thermocouples.get(channel, Thermocouple()).calibrated_on
        if not day:
            found.append(Question(asked, Answer.NOT_SHOWN, Remark("no day of calibration is stated")))
            continue
        if started_utc_s is None:
            found.append(Question(asked, Answer.NOT_SHOWN, Remark("the run carries no date")))
            continue
        age_days = int(started_utc_s // SECONDS_PER_DAY) - (date.fromisoformat(day) - date(1970, 1, 1)).days
        remark = Remark(
            "{day}, {age} days before the run, {allowed} allowed", day=day, age=str(age_days), allowed=f"{allowed:.0f}"
        )
        good = 0 <= age_days <= allowed
        found.append(Question(asked, Answer.YES if good else Answer.NO, remark))
    return found
