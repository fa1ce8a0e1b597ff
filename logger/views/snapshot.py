"""Snapshot: what is true of a run at one moment, and how it is said in the person's units and words.

The values are SI; `headline` is the one sentence a person reads at two in the morning, `facts` the list under it,
`aim_lines` the targets. Terminal, page and phone show these words and no others. Nothing is computed from steel here.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from math import isfinite

from logger.alert_rules import Severity
from logger.sheet_parts import Quantity
from logger.units import DisplayUnits
from logger.views.wording import (
    carbon_words,
    clock_words,
    duration_words,
    hardness_words,
    hours_words,
    known,
    length_number,
    length_range_words,
    length_words,
    parameter_words,
    sentence,
    temperature_range_words,
    temperature_words,
)

STEADY_K_PER_S = 1.0 / 120.0
"""Slower than half a kelvin a minute counts as steady (our choice)."""

SHALLOWEST_M = 1e-5
"""Less than this is not called a case yet: it would be shown as 0.00 mm."""

LEAST_RISK = 0.05
"""Melting in fewer of the cases tried is not spoken of: the nominal warnings keep their own margin."""

STILL_HOT_K = 400.0
"""Steel above this is handled as hot (our choice: well above what a glove forgives)."""

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CaseNow:
    """A case depth [m] with its definition, to a carbon content [wt%], and its band [m] where there is one."""

    at_carbon_wt_pct: float
    depth_m: float
    band_m: Range | None = None


@dataclass(frozen=True, slots=True)
class CarbonNow:
    """The carbon in the piece: the case depth that matters first, contents [wt%], skin [m].

    ``melted_share`` of the members the band comes from have melted [-].
    """

    cases: tuple[CaseNow, ...]
    surface_wt_pct: float
    core_wt_pct: float
    carbide_m: float = 0.0
    melted_m: float = 0.0
    molten_now_m: float = 0.0
    surface_band_wt_pct: Range | None = None
    core_band_wt_pct: Range | None = None
    carbide_band_m: Range | None = None
    melted_band_m: Range | None = None
    melted_share: float = 0.0


@dataclass(frozen=True, slots=True)
class TemperNow:
    """Tempering so far. ``parameter`` is None before anything counted; the hardness where it is not known."""

    constant: float
    parameter: float | None
    equivalent_time_s: float
    reference_K: float
    hardness_HRC: float | None = None
    hardness_band_HRC: Range | None = None
    parameter_band: Range | None = None
    equivalent_time_band_s: Range | None = None


@dataclass(frozen=True, slots=True)
class Aim:
    """One target: ``value`` and ``wanted`` in the target's own unit, times in run time [s].

    For a limit, ``reached_at_s`` is when it was passed and ``expected_at_s`` when it will be. ``forecast_tried`` tells
    "no forecast yet" from "not within the hours looked ahead"; the later end of ``expected_range_s`` is None where that
    is so of some. ``pessimistic`` targets are judged by the end of the band that is slowest, or a limit by the first.
    """

    quantity: Quantity
    value: float
    wanted: float
    at_carbon_wt_pct: float | None = None
    limit: bool = False
    reached_at_s: float | None = None
    expected_at_s: float | None = None
    expected_range_s: tuple[float, float | None] | None = None
    forecast_tried: bool = False
    band: Range | None = None
    pessimistic: bool = False


@dataclass(frozen=True, slots=True)
class AlertNow:
    """One alert that is not over: its words, how much it matters, since when [s of run time]."""

    words: str
    severity: Severity
    since_s: float
    acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What is true now.

    ``now_utc_s`` is the wall clock [s since 1970 UTC], None for a trace without dates, and ``time_s`` run time [s] at
    the same moment. ``reading_age_s`` is the age [s] of the last good reading, None before the first; newer ones
    that wait to be worked out are newer by ``behind_s`` [s]. Temperatures [K]
    are None where nothing says them. ``soak_s`` is None before the first soak, as ``oven_soak_s``, the oven's own;
    ``equivalent_time_s`` counts at ``reference_K``. ``treatment`` are lines about hardening and what a temper still
    needs: label, value, what it rests on. ``open_gap_s``: how long there has been no reading at its end [s].
    ``links_lost``: why what does not answer does not. ``finished`` says that the
    run is over: then nothing is expected any more.
    """

    oven: str
    run_name: str
    now_utc_s: float | None
    time_s: float
    reading_age_s: float | None
    stale_after_s: float = field(default=90.0, kw_only=True)
    behind_s: float = field(default=0.0, kw_only=True)
    steel_K: float | None
    steel_is_modelled: bool = False
    oven_K: float | None = None
    setpoint_K: float | None = None
    steel_rate_K_per_s: float | None = None
    peak_K: float | None = None
    stage: str = ""
    stage_since_s: float | None = None
    soak_s: float | None = None
    oven_soak_s: float | None = None
    soaking_now: bool = False
    soak_band_K: Range | None = None
    equivalent_time_s: float | None = None
    reference_K: float | None = None
    steel_range_K: Range | None = None
    peak_range_K: Range | None = None
    soak_range_s: Range | None = None
    equivalent_time_range_s: Range | None = None
    gap_s: float = 0.0
    open_gap_s: float = 0.0
    carbon: CarbonNow | None = None
    temper: TemperNow | None = None
    treatment: tuple[tuple[str, str, str], ...] = ()
    aims: tuple[Aim, ...] = ()
    alerts: tuple[AlertNow, ...] = ()
    links_lost: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    finished: bool = False
    clock_note: str = ""
    units: DisplayUnits = field(default_factory=DisplayUnits)
    zone: tzinfo | None = None

    @property
    def is_stale(self) -> bool:
        """Whether the last good reading is so old that the temperature may have changed since."""
        return not self.finished and (self.reading_age_s is None or self.reading_age_s > self.stale_after_s)

    def clock(self, time_s: float) -> str:
        """A moment of run time [s]: local clock time, with the day where it is far from now; else time since start."""
        if self.now_utc_s is None:
            return duration_words(time_s)
        return clock_words(self.now_utc_s + time_s - self.time_s, self.zone, self.now_utc_s)

    def at(self, time_s: float, about: bool = False) -> str:
        """The same with its preposition: ``at about 02:40``, or ``after 4 h 10 min`` without a wall clock."""
        return f"{'after' if self.now_utc_s is None else 'at'} {'about ' if about else ''}{self.clock(time_s)}"


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of what is true: a label, a value, and what the value rests on."""

    label: str
    value: str
    note: str = ""
    severity: Severity | None = None


# --- the one sentence -------------------------------------------------------------------------------------------------


def headline(now: Snapshot) -> str:
    """Is it all right, how far is it, until when: in plain words, most urgent first when something is wrong."""
    parts = [_heat_sentence(now), *_progress_sentences(now), *_blind_sentences(now)]
    verdict = state_words(now)
    if worst(now) is Severity.DANGER or now.is_stale:
        return " ".join([verdict, *parts])
    return " ".join([*parts, verdict])


def worst(now: Snapshot) -> Severity | None:
    """How bad it is: the most serious alert still standing; None when there is nothing to say."""
    found = [alert.severity for alert in now.alerts if _stands(alert)]
    if now.is_stale or now.warnings or now.open_gap_s > 0.0:
        found.append(Severity.WARNING)
    if now.carbon is not None and now.carbon.molten_now_m > 0.0:
        found.append(Severity.DANGER)
    return max(found, key=lambda severity: severity.rank, default=None)


def state_words(now: Snapshot) -> str:
    """All well, or what is not."""
    because = now.links_lost[:1] if now.is_stale else ()
    standing = [alert for alert in now.alerts if _stands(alert) and not any(why in alert.words for why in because)]
    dangers = [f"Danger: {_small(alert.words)}" for alert in standing if alert.severity is Severity.DANGER]
    troubles = list(dangers)
    if now.is_stale:
        troubles.append(_silence_words(now) + "".join(f". No connection: {why}" for why in because))
    troubles += [alert.words for alert in standing if alert.severity is not Severity.DANGER]
    if not dangers:
        if now.carbon is not None and now.carbon.molten_now_m > 0.0:
            troubles.insert(0, f"Danger: {length_words(now.carbon.molten_now_m, now.units)} of the skin is molten now")
        elif not standing:
            troubles += [words for words in now.warnings if not any(why in words for why in because)][:1]
    if not troubles:
        return "Run finished." if now.finished else "All well."
    if len(troubles) == 1:
        return sentence(troubles[0])
    return f"{troubles[0].rstrip('.')} (and {len(troubles) - 1} more)."


def _silence_words(now: Snapshot) -> str:
    """Why what is shown is old: nothing was read, or this computer has not got round to what was."""
    if now.reading_age_s is None:
        return "No reading yet"
    if now.behind_s > now.stale_after_s:
        return f"Every reading is kept, but this computer is {duration_words(now.behind_s)} behind in working them out"
    return f"No reading for {duration_words(now.reading_age_s)}"


def _stands(alert: AlertNow) -> bool:
    """Whether an alert still colours the whole picture: danger always, a warning until somebody has acknowledged it."""
    return alert.severity is Severity.DANGER or (alert.severity is Severity.WARNING and not alert.acknowledged)


def _blind_sentences(now: Snapshot) -> list[str]:
    """What the numbers rest on where nothing has been read since."""
    if now.open_gap_s <= 0.0:
        return []
    how_long = duration_words(now.open_gap_s)
    return [f"The last {how_long} without a reading count as if the oven had stayed as it was."]


def _heat_sentence(now: Snapshot) -> str:
    """The steel's temperature and its time at heat."""
    if not known(now.steel_K):
        if known(now.oven_K):
            return f"Oven {temperature_words(now.oven_K, now.units)}; steel not known yet."
        return "No temperature yet."
    if now.finished:
        hottest = f"hottest {temperature_words(now.peak_K, now.units)}" if known(now.peak_K) else ""
        soaked = "No soak" if now.soak_s is None else f"{duration_words(now.soak_s)} at heat inside"
        return ", ".join(part for part in (soaked, hottest) if part) + "."
    how = ("was " if now.is_stale else "") + ("about " if now.steel_is_modelled else "")
    steel = f"Steel {how}{temperature_words(now.steel_K, now.units)}"
    if now.soak_s is None:
        trend = _trend(now)
        return f"{steel}{f', {trend}' if trend else ''}; no soak yet."
    if now.soaking_now:
        return f"{steel}, {duration_words(now.soak_s)} at heat inside."
    return f"{steel}, after {duration_words(now.soak_s)} at heat inside."


def _trend(now: Snapshot) -> str:
    rate = now.steel_rate_K_per_s
    if rate is None or not isfinite(rate) or now.is_stale:
        return ""
    if abs(rate) < STEADY_K_PER_S:
        return "steady"
    per_minute = now.units.temperature_difference(abs(rate) * 60.0)
    return f"{'rising' if rate > 0.0 else 'falling'} {per_minute:.1f} {now.units.temperature} a minute"


def _progress_sentences(now: Snapshot) -> list[str]:
    """How far, and when the next target should be reached."""
    sentences = []
    aims = [aim for aim in now.aims if not aim.limit]
    following = _following(aims, now)
    if now.carbon is not None and now.carbon.cases:
        case = now.carbon.cases[0]
        depth = length_words(case.depth_m, now.units) if case.depth_m >= SHALLOWEST_M else "No case yet"
        sentences.append(f"{depth} to {case.at_carbon_wt_pct:.2f} % C")
        if now.carbon.melted_m > 0.0:
            sentences.append(f"skin melted to {length_words(now.carbon.melted_m, now.units)}")
        if following is not None:
            same = following.quantity is Quantity.CASE_DEPTH and following.at_carbon_wt_pct == case.at_carbon_wt_pct
            sentences.append(f"{'' if same else f'{_aim_name(following)} '}{_aim_outcome(following, now)}")
        return ["; ".join(sentences) + "."]
    if now.temper is not None:
        sentences.append(_temper_words(now.temper))
    if following is not None:
        sentences.append(f"{_aim_name(following)} {_aim_outcome(following, now)}")
    return [f"{words[0].upper()}{words[1:]}." for words in sentences]


def _following(aims: list[Aim], now: Snapshot) -> Aim | None:
    """The target to speak of: the first still ahead; all reached, the one about the case that is shown, or the last."""
    ahead = [aim for aim in aims if aim.reached_at_s is None]
    cases = [] if now.carbon is None else [case.at_carbon_wt_pct for case in now.carbon.cases[:1]]
    about_case = [aim for aim in aims if aim.quantity is Quantity.CASE_DEPTH and aim.at_carbon_wt_pct in cases]
    return next(iter([*ahead, *about_case, *reversed(aims)]), None)


def _temper_words(temper: TemperNow) -> str:
    if temper.parameter is None:
        return "no tempering yet"
    words = f"tempering parameter {parameter_words(temper.parameter)} (c = {temper.constant:.4g})"
    if temper.hardness_HRC is not None:
        words += f", {hardness_words(temper.hardness_HRC)} expected"
        if temper.hardness_band_HRC is not None:
            low, high = temper.hardness_band_HRC
            words += f" ({low:.0f} to {high:.0f})"
    return words


# --- targets ----------------------------------------------------------------------------------------------------------


def quantity_words(quantity: Quantity, value: float, units: DisplayUnits) -> str:
    """A value in a target's own unit (DESIGN: case depth [m], times [s], carbon [wt%] ...) as a person reads it."""
    if not isfinite(value):
        return "not known"
    match quantity:
        case Quantity.CASE_DEPTH:
            return length_words(value, units)
        case Quantity.SURFACE_CARBON | Quantity.CORE_CARBON | Quantity.MEAN_CARBON:
            return carbon_words(value)
        case Quantity.SOAK_TIME:
            return duration_words(value)
        case Quantity.EQUIVALENT_TIME:
            return hours_words(value)
        case Quantity.TEMPERING_PARAMETER:
            return parameter_words(value)
        case Quantity.HARDNESS:
            return hardness_words(value)


def _aim_name(aim: Aim) -> str:
    name = str(aim.quantity)
    return name if aim.at_carbon_wt_pct is None else f"{name} to {aim.at_carbon_wt_pct:.2f} % C"


def _aim_outcome(aim: Aim, now: Snapshot) -> str:
    """The wanted value and when: reached, expected, or not in sight."""
    wanted = quantity_words(aim.quantity, aim.wanted, now.units)
    if aim.reached_at_s is not None:
        return f"{wanted} {'passed' if aim.limit else 'reached'} {now.at(aim.reached_at_s)}"
    if now.finished:
        came_to = quantity_words(aim.quantity, aim.value, now.units)
        return f"{wanted} {unreached_words(aim.limit, came_to, wanted)}"
    if aim.expected_at_s is not None:
        when = f"{wanted} {now.at(aim.expected_at_s, about=True)}"
        if aim.expected_range_s is not None:
            early_s, late_s = aim.expected_range_s
            early = now.clock(early_s)
            when += f" ({early} at the earliest)" if late_s is None else f" ({early} to {now.clock(late_s)})"
        return when
    return f"{wanted} not in sight at this heat" if aim.forecast_tried else f"{wanted} wanted"


def unreached_words(limit: bool, came_to: str, wanted: str) -> str:
    """How a target ended that was not reached; what reads the same as wanted needs other words than what fell short."""
    if limit:
        return "not passed"
    return "just missed" if came_to == wanted else "not reached"


@dataclass(frozen=True, slots=True)
class AimLine:
    """One target: its name, value now, what is wanted and when; ``share`` of the way there, 0 to 1, if it has one."""

    name: str
    value: str
    outcome: str
    share: float | None
    severity: Severity | None = None


def aim_lines(now: Snapshot) -> tuple[AimLine, ...]:
    """Every target of the run, in the sheet's order."""
    lines = []
    for aim in now.aims:
        name = f"{_aim_name(aim)}, not to pass" if aim.limit else _aim_name(aim)
        outcome = _aim_outcome(aim, now)
        if aim.reached_at_s is None and aim.expected_at_s is not None and not now.finished:
            outcome += f", in {duration_words(max(aim.expected_at_s - now.time_s, 0.0))}"
        severity = Severity.DANGER if aim.limit and aim.reached_at_s is not None else None
        share = None
        if aim.quantity is not Quantity.HARDNESS and isfinite(aim.value) and aim.wanted > 0.0:
            share = min(max(aim.value / aim.wanted, 0.0), 1.0)
        value = quantity_words(aim.quantity, aim.value, now.units)
        if aim.band is not None and known(aim.value):
            low, high = (quantity_words(aim.quantity, end, now.units) for end in aim.band)
            value += f" ({_short_range(low, high)})"
        if aim.pessimistic:
            outcome += ", judged by the pessimistic side"
        lines.append(AimLine(name, value, outcome, share, severity))
    return tuple(lines)


def _short_range(low: str, high: str) -> str:
    """Two values in words, the unit said once where both have the same."""
    (number, _, unit), (_, _, high_unit) = low.partition(" "), high.partition(" ")
    return f"{number} to {high}" if unit and " " not in unit and unit == high_unit else f"{low} to {high}"


def _noted(note: str, band: Range | None, words: Callable[[float], str]) -> str:
    """A note with the band before it, where there is one."""
    if band is None:
        return note
    between = _short_range(words(band[0]), words(band[1]))
    return f"{between}; {note}" if note else between


# --- the list ---------------------------------------------------------------------------------------------------------


def facts(now: Snapshot) -> tuple[Fact, ...]:
    """What is true now, line by line; lines about things this run does not have are left out."""
    treatment = (Fact(label, value, note) for label, value, note in now.treatment)
    return (*_heat_facts(now), *_carbon_facts(now), *_temper_facts(now), *treatment)


def _heat_facts(now: Snapshot) -> Iterable[Fact]:
    units = now.units
    basis = "modelled from the oven" if now.steel_is_modelled else "measured inside"
    if now.is_stale:
        age = "never read" if now.reading_age_s is None else f"{duration_words(now.reading_age_s)} old"
        basis = f"{basis}, {age}"
    elif _trend(now):
        basis = f"{basis}, {_trend(now)}"

    def heat_words(temperature_K: float) -> str:
        return temperature_words(temperature_K, units)

    basis = _noted(basis, now.steel_range_K, heat_words)
    yield Fact("Steel", temperature_words(now.steel_K, units), basis, Severity.WARNING if now.is_stale else None)
    if known(now.peak_K):
        hottest = "Hottest so far" if not now.finished else "Hottest"
        yield Fact(hottest, temperature_words(now.peak_K, units), _noted("", now.peak_range_K, heat_words))
    setpoint = "" if not known(now.setpoint_K) else f"set point {temperature_words(now.setpoint_K, units)}"
    if known(now.oven_K) and (now.steel_is_modelled or now.oven_K != now.steel_K):
        yield Fact("Oven", temperature_words(now.oven_K, units), setpoint)
    elif setpoint:
        yield Fact("Set point", temperature_words(now.setpoint_K, units))
    if now.stage:
        since = now.stage_since_s
        yield Fact("Stage", now.stage, "" if since is None else f"for {duration_words(now.time_s - since)}")
    band = "" if now.soak_band_K is None else temperature_range_words(*now.soak_band_K, units)
    if now.soak_s is None:
        yield Fact("Soak", "no soak yet", f"counts inside {band}" if band else "")
    else:
        state = "at heat now" if now.soaking_now else "not at heat now"
        note = _noted(f"inside {band}, {state}" if band else state, now.soak_range_s, duration_words)
        yield Fact("Soak", duration_words(now.soak_s), note)
        if now.steel_is_modelled and known(now.oven_soak_s):
            yield Fact(
                "By the oven", duration_words(now.oven_soak_s), "its own time at heat; the steel's is what counts"
            )
    if known(now.equivalent_time_s) and (now.temper is None or now.carbon is not None):
        at = "" if now.reference_K is None else f"at {temperature_words(now.reference_K, units)}"
        note = _noted(at, now.equivalent_time_range_s, hours_words)
        yield Fact("Equivalent time", hours_words(now.equivalent_time_s), note)
    if now.gap_s > 0.0:
        yield Fact("Gaps", duration_words(now.gap_s), "without a reading; the band is wider for it", Severity.WARNING)


def _carbon_facts(now: Snapshot) -> Iterable[Fact]:
    carbon, units = now.carbon, now.units
    if carbon is None:
        return

    def depth_words(depth_m: float) -> str:
        return length_words(depth_m, units)

    for case in carbon.cases:
        band = "" if case.band_m is None else length_range_words(*case.band_m, units)
        yield Fact(f"Case depth to {case.at_carbon_wt_pct:.2f} % C", length_words(case.depth_m, units), band)
    ends = [
        f"{name} {low:.2f} to {high:.2f}"
        for name, (low, high) in (
            ("surface", carbon.surface_band_wt_pct or (0.0, 0.0)),
            ("core", carbon.core_band_wt_pct or (0.0, 0.0)),
        )
        if carbon.surface_band_wt_pct is not None
    ]
    contents = f"{carbon.surface_wt_pct:.2f} and {carbon_words(carbon.core_wt_pct)}"
    yield Fact("Surface and core", contents, ", ".join(ends))
    if carbon.melted_m > 0.0:
        still = f"{length_number(carbon.molten_now_m, units)} {units.length} molten now" if carbon.molten_now_m else ""
        note = _noted(still or "solid again", carbon.melted_band_m, depth_words)
        if LEAST_RISK <= carbon.melted_share <= 1.0 - LEAST_RISK:
            note = f"{note}; in {100.0 * carbon.melted_share:.0f} of 100 cases"
        yield Fact("Skin melted", f"to {length_words(carbon.melted_m, units)}", note, Severity.DANGER)
    elif carbon.melted_share >= LEAST_RISK:
        risk = f"in {100.0 * carbon.melted_share:.0f} % of the cases tried the skin has melted"
        yield Fact("Risk of melting", f"{100.0 * carbon.melted_share:.0f} %", risk, Severity.WARNING)
    if carbon.carbide_m > 0.0:
        note = _noted("", carbon.carbide_band_m, depth_words)
        yield Fact("Skin with carbide", f"to {length_words(carbon.carbide_m, units)}", note, Severity.WARNING)


def _temper_facts(now: Snapshot) -> Iterable[Fact]:
    temper = now.temper
    if temper is None:
        return
    if temper.parameter is None:
        yield Fact("Tempering", "no tempering yet")
        return
    note = _noted(f"c = {temper.constant:.4g}, kelvin and hours", temper.parameter_band, parameter_words)
    yield Fact("Tempering parameter", parameter_words(temper.parameter), note)
    note = f"at {temperature_words(temper.reference_K, now.units)}"
    note = _noted(note, temper.equivalent_time_band_s, hours_words)
    yield Fact("Same as one temper of", hours_words(temper.equivalent_time_s), note)
    if temper.hardness_HRC is not None:
        band = temper.hardness_band_HRC
        note = "" if band is None else f"{band[0]:.0f} to {band[1]:.0f} HRC"
        yield Fact("Hardness expected", hardness_words(temper.hardness_HRC), note)


def _small(words: str) -> str:
    """Words with a small first letter, for the middle of a sentence; abbreviations stay as they are."""
    return words if len(words) < 2 or words[1].isupper() else words[0].lower() + words[1:]


# --- the three questions ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Glance:
    """Is it all right, how far is it, until when: each in as few words as can be read from across a workshop."""

    heat: str
    far: str
    until: str


def glance(now: Snapshot) -> Glance:
    """The three questions, answered about the target that is spoken of."""
    heat = temperature_words(now.steel_K if known(now.steel_K) else now.oven_K, now.units)
    aim = _following([aim for aim in now.aims if not aim.limit], now)
    if aim is None:
        far = "no target" if now.soak_s is None else f"{duration_words(now.soak_s)} at heat"
        return Glance(heat, far, "no end in sight" if not now.finished else "finished")
    value, wanted = (quantity_words(aim.quantity, each, now.units) for each in (aim.value, aim.wanted))
    number, _, unit = value.partition(" ")
    same = bool(unit) and " " not in unit and wanted.endswith(f" {unit}")
    return Glance(heat, f"{number if same else value} of {wanted}", _until(aim, now))


def _until(aim: Aim, now: Snapshot) -> str:
    if aim.reached_at_s is not None:
        return f"reached {now.clock(aim.reached_at_s)}"
    if now.finished:
        return unreached_words(
            aim.limit, *(quantity_words(aim.quantity, n, now.units) for n in (aim.value, aim.wanted))
        )
    if aim.expected_at_s is not None:
        return f"about {now.clock(aim.expected_at_s)}"
    return "not in sight" if aim.forecast_tried else "not known yet"
