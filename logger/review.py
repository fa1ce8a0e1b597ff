"""Review: a finished or recorded run put together again, through the very estimate a watch runs.

The only thing here is where the history comes from: a CSV trace with a run sheet, or a run in the record, with its
own sheet or another one. What a finished run came to is kept beside the record and used as long as it still holds.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from pathlib import Path

import numpy as np

from logger import target, worked_out
from logger.alert import AlertEvent, restored
from logger.correction_used import as_learned, corrected_as_recorded
from logger.errors import Fault, InputFault, said_in
from logger.estimate import estimate, soak
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.soak import Soak, Uniformity
from logger.history import History, longest_bridge_s
from logger.record import RecordReader, RunRow
from logger.sheet import RunSheet
from logger.sheet_file import parse_sheet, read_sheet
from logger.situation import Kept, KeptNote, KeptPhoto, Situation
from logger.thermocouple import Thermocouple, ThermocoupleCaution, cautions
from logger.thermocouple_pair import pairs
from logger.trace_file import read_trace
from logger.watch import recorded_thermocouples
from logger.worked_out import ReadingsSeen, WorkedOut

Progress = Callable[[float], None]
"""Told how much of a run has been worked out so far [-], 0 to 1."""

PIECES = 40
"""Of a run while somebody wants to be told how far it is."""


@dataclass(frozen=True, slots=True, eq=False)
class LoggedHeat:
    """Every channel of one heat with its run sheet; ``run`` is empty for a trace. ``thermocouples`` as the oven file
    knew them."""

    run: str
    sheet: RunSheet
    histories: dict[str, History]
    thermocouples: dict[str, Thermocouple]
    channel: str = ""

    def thermocouple(self, channel: str) -> Thermocouple:
        """What is known of a channel's thermocouple: the sheet speaks for its own channel, else a type K."""
        stated = self.sheet.thermocouple if channel == self.channel else None
        return stated or self.thermocouples.get(channel) or Thermocouple()


def is_trace(what: str) -> bool:
    """Whether what a person named is a trace's file and not a run in the record."""
    return Path(what).suffix.lower() == ".csv" or Path(what).is_file()


def heat_of_trace(trace_file: Path, sheet_file: Path, channel: str | None = None) -> LoggedHeat:
    """Every channel of a recorded trace; ``channel`` is one it has, where the sheet names none.

    Raises   InputFault    every fault in the sheet, or else every fault in the trace
    """
    faults: list[Fault] = []
    sheet: RunSheet | None = None
    try:
        sheet = read_sheet(sheet_file)
    except InputFault as fault:
        faults.extend(fault.faults)
    try:
        trace = read_trace(trace_file, (sheet.channel if sheet else None) or channel)
    except InputFault as fault:
        faults.extend(fault.faults)
    if faults or sheet is None:
        raise InputFault(faults)
    return LoggedHeat("", sheet, trace.histories, {}, trace.channel)


def heat_of_run(record: Path, run: str, sheet_file: Path | None = None) -> LoggedHeat:
    """Every channel of a recorded run.

    Raises   InputFault    no such run, no readings, a sheet that cannot be used
             OutsideFault  a record that cannot be read
    """
    with RecordReader(record) as reader, reader.snapshot():
        row = reader.run(run)
        sheet = recorded_sheet(reader, row) if sheet_file is None else read_sheet(sheet_file)
        histories = {name: one for name, one in reader.histories(row.id).items() if len(one)}
        if not histories:
            raise InputFault(Fault(f"run {row.id}", "no readings", "a run with at least one"))
        return LoggedHeat(row.id, sheet, histories, recorded_thermocouples(reader, row.id), sheet.channel or "")


def review_trace(trace_file: Path, sheet_file: Path, *, even_without_readings: bool = False) -> Situation:
    """The situation at the end of a recorded trace; ``even_without_readings``, also where no cell holds a temperature.

    Raises   InputFault    every fault in the sheet, or else every fault in the trace
    """
    faults: list[Fault] = []
    sheet: RunSheet | None = None
    try:
        sheet = read_sheet(sheet_file)
    except InputFault as fault:
        faults.extend(fault.faults)
    try:
        trace = read_trace(trace_file, sheet.channel if sheet else None, even_without_readings=even_without_readings)
    except InputFault as fault:
        faults.extend(fault.faults)
    if faults or sheet is None:
        raise InputFault(faults)
    return _situation(
        sheet,
        trace.histories,
        channel=trace.channel,
        run="",
        oven=trace_file.name,
        name=sheet_file.stem,
        start_utc_s=trace.start_utc_s,
        even_without_readings=even_without_readings,
    )


def review_run(
    record: Path,
    run: str,
    sheet_file: Path | None = None,
    *,
    even_without_readings: bool = False,
    as_learned_since: bool = False,
    anew: bool = False,
    progress: Progress | None = None,
) -> Situation:
    """The situation at the end of a recorded run, or so far while it goes on; by its own sheet or another one.

    With ``even_without_readings`` a run of nothing but faults has a situation too, in which nothing is known; with
    ``as_learned_since`` it goes by the newest correction in the record instead of the one it was watched with. What a
    finished run came to by its own sheet is kept; with ``anew`` it is worked out from the readings all the same, and
    has its members, so that it can be gone on from. ``progress`` is told how far that is.

    Raises   InputFault    no such run, no readings, a sheet that cannot be used
             OutsideFault  a record that cannot be read
    """
    with RecordReader(record) as reader, reader.snapshot():
        row = reader.run(run)
        sheet = recorded_sheet(reader, row) if sheet_file is None else read_sheet(sheet_file)
        if as_learned_since:
            sheet = as_learned(reader, sheet)
        histories = {name: one for name, one in reader.histories(row.id).items() if len(one)}
        if not histories:
            if not even_without_readings:
                raise InputFault(Fault(f"run {row.id}", "no readings", "a run with at least one"))
            named = reader.channels(row.id)
            histories = {name: History(name, np.array([]), np.array([]), row.poll_interval_s) for name in named}
        channel = estimate.driving_channel(tuple(histories), sheet)
        thermocouples = recorded_thermocouples(reader, row.id)
        events = tuple(kept.event for kept in reader.alerts(run=row.id))
        kept = Kept(
            how_ended=row.how_ended,
            software=row.software,
            poll_interval_s=row.poll_interval_s,
            thermocouples=thermocouples,
            readings=reader.qualities(row.id),
            notes=tuple(KeptNote(note.time_s, note.utc_s, note.author, note.text) for note in reader.notes(row.id)),
            photos=tuple(
                KeptPhoto(one.caption, one.author, str(one.file), one.sha256) for one in reader.photos(row.id)
            ),
        )
        set_points = reader.set_points(row.id)
    history, found, its_basis = histories[channel], None, ""
    if row.how_ended is not None and sheet_file is None and not as_learned_since and len(history):
        seen = ReadingsSeen(history)
        its_basis = worked_out.basis(sheet, thermocouples.get(channel), channel, history.interval_s, seen)
        found = None if anew else worked_out.kept(record, row.id, its_basis, WorkedOut)
    situation = _situation(
        sheet,
        histories,
        channel=channel,
        thermocouple=thermocouples.get(channel),
        run=row.id,
        oven=row.oven,
        name=row.sheet_name,
        start_utc_s=row.started_utc_s,
        clock="" if row.clock == "real" else row.clock,
        alert_events=events,
        kept=kept,
        even_without_readings=even_without_readings,
        set_points=set_points,
        found=found,
        progress=progress,
    )
    if its_basis and found is None:
        came_to = WorkedOut(estimate.without_members(situation.state), situation.bands)
        worked_out.keep(record, row.id, its_basis, came_to)
    return situation


def review_again(situation: Situation, sheet: RunSheet) -> Situation:
    """The situation of the same history by another sheet; what was reviewed stays as it is.

    Raises   InputFault    a sheet that names a channel there is not
    """
    kept, channel = situation.kept, estimate.driving_channel(tuple(situation.histories), sheet)
    return _situation(
        sheet,
        situation.histories,
        channel=channel,
        run=situation.run,
        oven=situation.oven,
        name=situation.name,
        start_utc_s=None if situation.now_utc_s is None else situation.now_utc_s - situation.now_s,
        thermocouple=None if kept is None else kept.thermocouples.get(channel),
        clock=situation.clock,
        alert_events=situation.alert_events,
        kept=kept,
        set_points=situation.set_points,
    )


def recorded_sheet(reader: RecordReader, row: RunRow) -> RunSheet:
    """The sheet a run was watched with, and the correction. Raises InputFault where it can be read no more."""
    sheet = parse_sheet(row.sheet_text, f"the sheet of run {row.id}")
    return corrected_as_recorded(reader, row.id, sheet)


def _situation(
    sheet: RunSheet,
    histories: dict[str, History],
    *,
    channel: str,
    run: str,
    oven: str,
    name: str,
    start_utc_s: float | None,
    thermocouple: Thermocouple | None = None,
    clock: str = "",
    alert_events: tuple[AlertEvent, ...] = (),
    kept: Kept | None = None,
    even_without_readings: bool = False,
    set_points: History | None = None,
    found: WorkedOut | None = None,
    progress: Progress | None = None,
) -> Situation:
    history = histories[channel]
    good = history.time_s[history.good]
    if not good.size and not even_without_readings:
        raise InputFault(Fault(f"channel {channel}", "no good reading at all", "at least one temperature"))
    with said_in(sheet.display):
        problem = estimate.problem_from_sheet(sheet, thermocouple)
        if found is None:
            state = _lived_through(problem, history, progress)
            found = WorkedOut(state, estimate.bands_at_end(problem, state))
        state, bands = found.state, found.bands
        result = estimate.at_end(problem, state)
    finished = kept is None or kept.how_ended is not None
    couples = dict(kept.thermocouples) if kept is not None else {}
    if (driving_is := sheet.thermocouple or thermocouple) is not None:
        couples[channel] = driving_is
    inside = sheet.canister.sensor == "inside"
    end_s = float(history.time_s[-1]) if len(history) else 0.0
    return Situation(
        oven=oven,
        run=run,
        name=sheet.name or name,
        problem=problem,
        state=state,
        estimate=result,
        bands=bands,
        statuses=target.statuses(problem, state, bands),
        now_s=end_s,
        now_utc_s=None if start_utc_s is None else start_utc_s + end_s,
        last_good_s=float(good[-1]) if good.size else None,
        alert_events=alert_events,
        histories=histories,
        set_points=set_points,
        clock=clock,
        finished=finished,
        open_alerts=() if finished else restored(alert_events).open(),
        kept=kept,
        uniformity=_uniformity(sheet, histories, channel, couples, result.thermal.soaks),
        comparisons=pairs(histories, channel, couples, driving_is_inside=inside),
        cautions=_cautions(sheet, histories, channel, couples),
    )


def _lived_through(problem: Problem, history: History, progress: Progress | None) -> EstimateState:
    """The state after a whole history, told how far it is meanwhile: in pieces it comes to the same."""
    if progress is None:
        return estimate.over_history(problem, history)
    state, pieces = estimate.begin(problem, history.channel), min(PIECES, max(len(history), 1))
    for number in range(pieces):
        first, last = (len(history) * part // pieces for part in (number, number + 1))
        state = estimate.advance(problem, state, history.piece(first, last))
        progress((number + 1) / pieces)
    return state


def _uniformity(
    sheet: RunSheet,
    histories: dict[str, History],
    driving: str,
    couples: dict[str, Thermocouple],
    soaks: tuple[Soak, ...],
) -> tuple[Uniformity, ...]:
    """How alike the load's thermocouples were in each soak, where the sheet names more than the driving one."""
    names = [name for name in dict.fromkeys((driving, *sheet.soak.sensors)) if name in histories]
    good = {name: histories[name] for name in names if histories[name].good.any()}
    if len(good) < 2 or driving not in good:
        return ()
    bridge_s = max(longest_bridge_s(history.interval_s) for history in good.values())
    time_s = good[driving].time_s[good[driving].good]
    for history in good.values():
        read_s = history.time_s[history.good]
        after = np.minimum(np.searchsorted(read_s, time_s), read_s.size - 1)
        near_s = np.minimum(np.abs(read_s[after] - time_s), np.abs(time_s - read_s[np.maximum(after - 1, 0)]))
        time_s = time_s[near_s <= bridge_s]
    by_channel_K = {}
    for name, history in good.items():
        at_K = np.interp(time_s, history.time_s[history.good], history.temperature_K[history.good])
        by_channel_K[name] = couples.get(name, Thermocouple()).correction.corrected_K(at_K)
    held = [one for one in soaks if np.count_nonzero((time_s >= one.start_s) & (time_s <= (one.end_s or inf))) > 1]
    return tuple(soak.uniformity(time_s, by_channel_K, one, bridge_s) for one in held)


def _cautions(
    sheet: RunSheet, histories: dict[str, History], driving: str, couples: dict[str, Thermocouple]
) -> tuple[tuple[str, ThermocoupleCaution], ...]:
    """What to mind of every thermocouple, from how hot it was and where it sat."""
    found: list[tuple[str, ThermocoupleCaution]] = []
    for name, history in sorted(histories.items()):
        if history.good.any():
            couple = couples.get(name, Thermocouple())
            peak_K = float(history.temperature_K[history.good].max())
            in_carbon = name == driving and sheet.canister.sensor == "inside" and sheet.pack is not None
            found.extend((name, one) for one in cautions(couple, peak_K, in_carbon))
    return tuple(found)
