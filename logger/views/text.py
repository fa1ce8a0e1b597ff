"""What a terminal shows as plain text: the list of runs, and the review of one."""

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo

from logger.units import DisplayUnits
from logger.views.cautions import Moment, caution
from logger.views.snapshot import STILL_HOT_K, Snapshot, aim_lines, facts, headline
from logger.views.treatment_words import Row, TreatmentLines
from logger.views.wording import (
    clock_words,
    date_words,
    duration_words,
    known,
    rate_words,
    temperature_difference_words,
    temperature_range_words,
    temperature_words,
    zone_words,
)

TEXT_LETTERS = 100


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run in a list. ``started_utc_s`` [s since 1970 UTC]; ``duration_s`` [s] is None while it is still going."""

    run_id: str
    name: str
    oven: str
    started_utc_s: float
    duration_s: float | None
    peak_K: float | None
    outcome: str
    units: DisplayUnits = field(default_factory=DisplayUnits)


def runs_text(runs: Sequence[RunLine], zone: tzinfo | None) -> str:
    """Runs as a table, one a line, in the order given; times in the reader's zone."""
    if not runs:
        return "No runs in the record yet."
    head = ("run", "started", "lasted", "peak", "oven", "name", "outcome")
    rows = [
        (
            run.run_id,
            f"{date_words(run.started_utc_s, zone)} {clock_words(run.started_utc_s, zone)}",
            "still going" if run.duration_s is None else duration_words(run.duration_s),
            temperature_words(run.peak_K, run.units),
            run.oven,
            run.name,
            run.outcome,
        )
        for run in runs
    ]
    zones = {zone_words(run.started_utc_s, zone) for run in runs}
    return table(head, rows) + f"\n\nTimes are local ({' and '.join(sorted(zones))})."


@dataclass(frozen=True, slots=True)
class StageLine:
    """One stage: times in run time [s] (``to_s`` None while it goes on), temperatures [K], mean rate [K/s]."""

    name: str
    from_s: float
    to_s: float | None
    start_K: float
    end_K: float
    peak_K: float
    rate_K_per_s: float


@dataclass(frozen=True, slots=True)
class SoakLine:
    """One soak: times in run time [s] (``to_s`` None while it goes on), time inside the band [s], temperatures [K]."""

    from_s: float
    to_s: float | None
    in_band_s: float
    mean_K: float
    spread_K: float
    band_K: tuple[float, float]
    overshoot_K: float = 0.0


@dataclass(frozen=True, slots=True)
class GapLine:
    """A stretch without a reading: run time [s], and the lowest and highest the oven may have been [K]."""

    from_s: float
    to_s: float
    low_K: float
    high_K: float


@dataclass(frozen=True, slots=True)
class Review:
    """Everything the review of one run says. ``start_utc_s``: wall clock at run time 0, None where not known.

    ``next_step`` says what to think of before the next step, ``basis`` what the numbers rest on (sensor, model, data
    and software versions): one sentence each.
    ``above``: lines [K] and how long the steel was above them [s]. ``gap_cases``: rows of four words, what the run
    comes to with the oven off, as between the readings, and kept on in every gap. ``spikes_s``: run times [s] of
    readings left out. ``thermocouples`` and ``uniformity``: a sentence for each thing to say of them. ``left_out``: how
    many readings were out of their time order, and how many no temperature of an oven.
    """

    run_id: str
    now: Snapshot
    start_utc_s: float | None
    stages: tuple[StageLine, ...] = ()
    soaks: tuple[SoakLine, ...] = ()
    gaps: tuple[GapLine, ...] = ()
    drivers: tuple[str, ...] = ()
    next_step: tuple[str, ...] = ()
    treatment: TreatmentLines = field(default_factory=TreatmentLines)
    basis: tuple[str, ...] = ()
    above: tuple[tuple[float, float], ...] = ()
    gap_cases: tuple[tuple[str, ...], ...] = ()
    spikes_s: tuple[float, ...] = ()
    thermocouples: tuple[str, ...] = ()
    uniformity: tuple[str, ...] = ()
    left_out: tuple[int, int] = (0, 0)


def review_text(review: Review) -> str:
    """The review of a run, to be read in a terminal or kept beside the blade."""
    now = replace(review.now, treatment=())  # told more fully below
    blocks = [
        [f"{now.run_name} in {now.oven}", _when_words(review)],
        textwrap.wrap(printable(headline(now)), TEXT_LETTERS),
        ["What is known", *_indented(table_rows([(fact.label, fact.value, fact.note) for fact in facts(now)]))],
        ["Targets", *_indented(f"{line.name}: {line.value}; {line.outcome}" for line in aim_lines(now))],
        ["Stages", *_indented(_stage_rows(review))],
        ["Soaks of the steel", *_indented(_soak_rows(review)), *paragraphs(review.uniformity)],
        ["Hardening", *_treatment_rows(review.treatment.hardening), *paragraphs(review.treatment.advice)],
        ["Heats", *paragraphs(review.treatment.heats)],
        ["Temper still to do", *_treatment_rows(review.treatment.ahead)],
        *(textwrap.wrap(caution(moment), TEXT_LETTERS) for moment in review.treatment.cautions),
        ["What the ranges come from", *paragraphs(review.drivers)],
        ["Time without readings", *_indented(_gap_rows(review))],
        ["Thermocouples", *paragraphs(review.thermocouples)],
        ["Warnings", *paragraphs(f"! {warning}" for warning in now.warnings)],
        ["For the next step", *paragraphs(review.next_step)],
        ["Rests on", *paragraphs(review.basis)],
    ]
    if now.carbon is not None:
        hot = known(now.steel_K) and now.steel_K > STILL_HOT_K
        moment = Moment.OPENING_HOT if hot else Moment.DUMPING_PACK
        blocks.append(textwrap.wrap(caution(moment), TEXT_LETTERS))
    shown = [block for block in blocks if len(block) > 1 or block[0] not in _HEADINGS]
    return "\n\n".join("\n".join(printable(line) for line in block) for block in shown)


_HEADINGS = frozenset(
    {
        "Targets",
        "Hardening",
        "Heats",
        "Temper still to do",
        "What the ranges come from",
        "Time without readings",
        "Thermocouples",
        "Warnings",
        "For the next step",
        "Rests on",
    }
)
"""Left out where nothing stands under them."""


def _when_words(review: Review) -> str:
    now, start = review.now, review.start_utc_s
    lasted = f"{duration_words(now.time_s)}{'' if now.finished else ' so far'}"
    note = f", clock {now.clock_note}" if now.clock_note else ""
    named = f"Run {review.run_id}, {lasted}{note}" if review.run_id else f"{lasted}{note}"
    if start is None:
        return f"{named}. The wall clock is not known: times count from the start, in hours:minutes."
    began = f"{date_words(start, now.zone)} {clock_words(start, now.zone)}"
    end_s = start + now.time_s
    same_day = date_words(start, now.zone) == date_words(end_s, now.zone)
    ended = (
        clock_words(end_s, now.zone) if same_day else f"{date_words(end_s, now.zone)} {clock_words(end_s, now.zone)}"
    )
    return f"{named}. {began} to {ended}, local time ({zone_words(start, now.zone)})."


def _at(review: Review, time_s: float | None) -> str:
    """A moment of run time [s] on the clock of the review."""
    if time_s is None:
        return "goes on" if not review.now.finished else "the end"
    if review.start_utc_s is None:
        minutes = round(time_s / 60.0)
        return f"{minutes // 60}:{minutes % 60:02d}"
    return clock_words(review.start_utc_s + time_s, review.now.zone)


def _stage_rows(review: Review) -> list[str]:
    if not review.stages:
        return ["none: the run is too short to have any"]
    units, end_s = review.now.units, review.now.time_s
    rows = [
        (
            stage.name,
            _at(review, stage.from_s),
            _at(review, stage.to_s),
            duration_words((end_s if stage.to_s is None else stage.to_s) - stage.from_s),
            temperature_words(stage.start_K, units),
            temperature_words(stage.end_K, units),
            temperature_words(stage.peak_K, units),
            rate_words(stage.rate_K_per_s, units),
        )
        for stage in review.stages
    ]
    head = ("stage", "from", "to", "lasted", "began at", "ended at", "hottest", "mean rate")
    lines = table(head, rows).split("\n")
    above = ", ".join(
        f"{temperature_words(line_K, units)} for {duration_words(lasted_s)}"
        for line_K, lasted_s in review.above
        if lasted_s > 0.0
    )
    return [*lines, f"above {above}"] if above else lines


def _soak_rows(review: Review) -> list[str]:
    if not review.soaks:
        band = review.now.soak_band_K
        inside = (
            "" if band is None else f": the steel was never inside {temperature_range_words(*band, review.now.units)}"
        )
        return [f"no soak{inside}"]
    units = review.now.units
    rows = [
        (
            _at(review, soak.from_s),
            _at(review, soak.to_s),
            duration_words(soak.in_band_s),
            temperature_range_words(*soak.band_K, units),
            temperature_words(soak.mean_K, units),
            temperature_difference_words(soak.spread_K, units),
            temperature_difference_words(soak.overshoot_K, units),
        )
        for soak in review.soaks
    ]
    return table(("from", "to", "at heat inside", "band", "mean", "spread", "most over"), rows).split("\n")


LEFT_OUT = ("whose time was not after the one before", "that no oven can have had")


def _gap_rows(review: Review) -> Iterable[str]:
    for gap in review.gaps:
        between = ""
        if known(gap.low_K) and known(gap.high_K):
            between = f"; the oven was somewhere in {temperature_range_words(gap.low_K, gap.high_K, review.now.units)}"
        when = f"{_at(review, gap.from_s)} to {_at(review, gap.to_s)}"
        yield f"{when}, {duration_words(gap.to_s - gap.from_s)}{between}"
    if review.gap_cases:
        yield ""
        head = ("what the gaps may have changed", "oven off", "straight across", "oven kept on")
        yield from table(head, review.gap_cases).split("\n")
    if review.spikes_s:
        first = ", ".join(_at(review, time_s) for time_s in review.spikes_s[:6])
        more = f" and {len(review.spikes_s) - 6} more" if len(review.spikes_s) > 6 else ""
        readings = "reading" if len(review.spikes_s) == 1 else "readings"
        yield f"{len(review.spikes_s)} single {readings} left out that jumped and came straight back: {first}{more}"
    for count, why in zip(review.left_out, LEFT_OUT, strict=True):
        if count:
            yield f"{count} {'reading' if count == 1 else 'readings'} left out {why}"


def _treatment_rows(rows: Sequence[Row]) -> list[str]:
    """Rows of a label, a value and what it rests on; the last wrapped under itself where the line is full."""
    if not rows:
        return []
    labels, values = (max(len(printable(row[column])) for row in rows) for column in (0, 1))
    before = labels + values + 6
    lines = []
    for label, value, note in rows:
        head = f"  {printable(label).ljust(labels)}  {printable(value).ljust(values)}  "
        parts = textwrap.wrap(printable(note), max(TEXT_LETTERS - before, 34)) or [""]
        lines.append((head + parts[0]).rstrip())
        lines.extend(" " * before + part for part in parts[1:])
    return lines


def paragraphs(sentences: Iterable[str]) -> list[str]:
    """Sentences wrapped and indented, the lines after the first a little further."""
    return [
        line
        for words in sentences
        for line in textwrap.wrap(printable(words), TEXT_LETTERS, initial_indent="  ", subsequent_indent="    ")
    ]


def _indented(lines: Iterable[str]) -> list[str]:
    return [f"  {line}".rstrip() for line in lines]


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Rows under a head and a line, columns two spaces apart."""
    lines = table_rows([head, *rows])
    return "\n".join([lines[0], "-" * max(len(line) for line in lines), *lines[1:]])


def table_rows(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines with columns as wide as their longest cell, without a head."""
    cells = [[printable(cell) for cell in row] for row in rows]
    widths = [max(len(cell) for cell in column) for column in zip(*cells, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in cells]


def printable(words: str) -> str:
    """Words on one line with nothing in them that a terminal would obey: control characters become spaces."""
    return "".join(letter if letter.isprintable() else " " for letter in words)
