"""The ledger of pieces in a record: its lines as steps, the states they lead to, and new lines once they are possible.

A line is only ever added, and only after the piece has lived through it in the computer: what cannot be is refused and
leaves the ledger as it was.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from json import dumps
from math import sqrt
from pathlib import Path
from typing import Any

from logger import worked_out
from logger.correction_used import as_learned, newest_learned
from logger.errors import Fault, InputFault, RangeFault
from logger.estimate import estimate
from logger.piece import PieceState, RecordedHeat, Sources, after
from logger.piece_plain import kind_of, plain_step, step_from_plain
from logger.piece_steps import (
    Begin,
    Entry,
    HeatRun,
    HeatTyped,
    Measure,
    Part,
    Stack,
    Step,
    TemperRun,
    Undo,
    Used,
    standing,
)
from logger.plain_values import plain
from logger.record import PieceStepRow, RecordReader, append_to_workbench, brought_up_to_date
from logger.record_operations import Operation, new_id
from logger.review import recorded_sheet
from logger.sheet_limits import HIGHEST_CARBON_WT_PCT
from logger.sheet_parts import Correction, Pack
from logger.steel.composition import carbon_content_spread_wt_pct
from logger.units import LengthUnit, TemperatureUnit
from logger.versions import digest_with_pieces
from logger.watch import recorded_thermocouples
from logger.worked_out import ReadingsSeen

NAME = re.compile(r"[^\W_][\w .+#-]{0,39}")


@dataclass(frozen=True, slots=True)
class Units:
    """Units a line was written in, so that its piece is shown in them: temperature "C" or "F", length "mm" or "in"."""

    temperature: TemperatureUnit | None = None
    length: LengthUnit | None = None


class Ledger:
    """All pieces of one record, as they were when it was opened; `enter` adds a line.

    ``tell`` is called with a line of progress before each heat that has to be worked out.
    Raises   InputFault, OutsideFault    a record that cannot be used
    """

    def __init__(self, record: Path, tell: Callable[[str], None] = lambda words: None) -> None:
        self.record, self._tell = record, tell
        brought_up_to_date(record)
        self._entries: dict[str, list[Entry]] = {}
        self._units: dict[str, Units] = {}
        self._states: dict[tuple[str, int], PieceState] = {}
        self._bases: dict[tuple[str, int], str] = {}
        self._runs: dict[str, RecordedHeat] = {}
        rows: Sequence[PieceStepRow] = ()
        if record.exists():
            with RecordReader(record) as reader:
                rows = reader.piece_steps()
        for row in rows:
            self._take(row)

    @property
    def pieces(self) -> tuple[str, ...]:
        """Names of all pieces, in the order they were begun."""
        return tuple(self._entries)

    def entries(self, piece: str) -> tuple[Entry, ...]:
        """Every line of a piece, undone ones too. Raises InputFault where there is no such piece."""
        return tuple(self._entries[self.known(piece)])

    def units(self, piece: str) -> Units:
        """The units a piece was last written in."""
        return self._units.get(piece, Units())

    def known(self, piece: str) -> str:
        """The piece of a name. Raises InputFault where there is none; names those that are near."""
        if piece in self._entries:
            return piece
        near = get_close_matches(piece, self._entries, n=3) or list(self._entries)[-5:]
        expected = f"one of {', '.join(near)}" if near else "a piece begun with `soaktally piece new`"
        raise InputFault(Fault(f"piece {piece}", "no such piece", expected))

    def states(self, piece: str) -> tuple[tuple[Entry, PieceState], ...]:
        """A piece after each of its standing steps."""
        lines = standing(self.entries(piece))
        return tuple((entry, self._state(piece, entry.number)) for entry in lines)

    def now(self, piece: str) -> PieceState:
        """A piece after its last standing step. Raises InputFault where everything has been undone."""
        lines = standing(self.entries(piece))
        if not lines:
            raise InputFault(Fault(f"piece {piece}", "nothing left of it: every step is undone", "another piece"))
        return self._state(piece, lines[-1].number)

    def last_step(self, piece: str) -> int:
        """Number of a piece's last standing step; 0 where there is none."""
        lines = standing(self.entries(piece))
        return lines[-1].number if lines else 0

    def enter(
        self,
        piece: str,
        step: Step,
        *,
        utc_s: float,
        note: str = "",
        units: Units | None = None,
        corrected: bool = False,
    ) -> PieceState | None:
        """Add a step to a piece, if it is possible, and return what the piece is then; None where nothing of it stands.

        With ``corrected`` a recorded heat goes by what coupons have taught since; a typed one in a pack always does.

        Raises   InputFault     it is not possible, or names what is not there; nothing has been added
                 OutsideFault   the record cannot be written; nothing has been added
        """
        if isinstance(step, Begin | Stack):
            self._check_new(piece)
        else:
            self.known(piece)
        if isinstance(step, Undo):
            return self._undo(piece, step, utc_s, note)
        if isinstance(step, HeatRun | TemperRun):
            step = replace(step, run=self._run_id(step.run))
        if isinstance(step, HeatRun) and corrected:
            step = replace(step, correction=self._learned_of(step.run))
        if isinstance(step, HeatTyped):
            pack = Pack(step.recipe, lot=step.pack_lot).known_as
            step = replace(step, correction=self._known_of(pack, self._iron_lot(piece)))
        if isinstance(step, Begin):
            step = self._by_its_lot(step)
        number = len(self._entries.get(piece, [])) + 1
        before = None if isinstance(step, Begin | Stack) else self.now(piece)
        if isinstance(step, Measure) and before is not None and step.depth_m > before.section.depth_m:
            deepest_m = before.section.depth_m
            raise InputFault(RangeFault.of(f"measured on {piece}, depth", step.depth_m, 0.0, deepest_m, "m", ""))
        state = after(piece, before, Entry(number, utc_s, step, note), self._sources())
        lines = [(piece, Entry(number, utc_s, step, note))]
        if isinstance(step, Stack):
            lines = [*self._used_up(piece, step, utc_s), *lines]
        self._append(lines, units or self.units(piece))
        self._states[piece, number] = state
        self._keep(piece, number)
        return state

    def _check_new(self, piece: str) -> None:
        if not NAME.fullmatch(piece):
            raise InputFault(Fault("name", f'"{piece}"', "letters and digits, up to 40, such as strap-1"))
        if self._entries.get(piece) and self.last_step(piece):
            raise InputFault(Fault(f"piece {piece}", "a piece of that name already", "another name"))

    def _used_up(self, into: str, step: Stack, utc_s: float) -> list[tuple[str, Entry]]:
        """The lines that say what went into a stack."""
        names = list(dict.fromkeys(part.piece for part in step.parts))
        lines = []
        for name in names:
            wanted = step.count * sum(part.piece == name for part in step.parts)
            entry = Entry(len(self._entries[name]) + 1, utc_s, Used(wanted, into))
            self._states[name, entry.number] = after(name, self.now(name), entry, self._sources())
            lines.append((name, entry))
        return lines

    def _undo(self, piece: str, step: Undo, utc_s: float, note: str) -> PieceState | None:
        lines = standing(self.entries(piece))
        if not lines:
            raise InputFault(Fault(f"undo in {piece}", "nothing left to undo", "a piece with steps"))
        last = lines[-1]
        if step.step not in (0, last.number):
            numbers = ", ".join(str(entry.number) for entry in lines)
            found = f"step {step.step}" if step.step in [entry.number for entry in lines] else f"no step {step.step}"
            expected = f"the last standing step, {last.number} (standing: {numbers})"
            raise InputFault(Fault(f"undo in {piece}", found, expected))
        if isinstance(last.step, Used):
            expected = f"undo step 1 of {last.step.into} first, which gives the pieces back"
            raise InputFault(Fault(f"undo in {piece}", f"pieces that went into {last.step.into}", expected))
        undone = [(piece, Entry(len(self._entries[piece]) + 1, utc_s, Undo(last.number), note))]
        if isinstance(last.step, Stack):
            for name in dict.fromkeys(part.piece for part in last.step.parts):
                used = [e for e in standing(self.entries(name)) if isinstance(e.step, Used) and e.step.into == piece]
                if used and used[-1] is not standing(self.entries(name))[-1]:
                    found = f"{name}, which has had other steps since"
                    raise InputFault(Fault(f"undo in {piece}", found, f"those of {name} undone first"))
                undone += [(name, Entry(len(self._entries[name]) + 1, utc_s, Undo(e.number), note)) for e in used[-1:]]
        self._append(undone, self.units(piece))
        rest = standing(self.entries(piece))
        return self._state(piece, rest[-1].number) if rest else None

    # How it is worked out

    def _state(self, piece: str, number: int) -> PieceState:
        """A piece after one of its steps, worked out from the last one that is known."""
        state: PieceState | None = None
        for entry in standing(tuple(self._entries[self.known(piece)])):
            if entry.number > number:
                break
            key = (piece, entry.number)
            if key not in self._states:
                self._states[key] = self._kept(piece, entry) or self._lived_through(piece, state, entry)
            state = self._states[key]
        assert state is not None
        return state

    def _lived_through(self, piece: str, before: PieceState | None, entry: Entry) -> PieceState:
        heat = isinstance(entry.step, HeatRun | HeatTyped)
        if heat:
            self._tell(f"working out {piece}, step {entry.number}")
        state = after(piece, before, entry, self._sources())
        self._states[piece, entry.number] = state
        self._keep(piece, entry.number)
        return state

    def _kept(self, piece: str, entry: Entry) -> PieceState | None:
        """What a heat came to, where that is kept beside the record; other steps are done sooner than looked up."""
        if not isinstance(entry.step, HeatRun | HeatTyped):
            return None
        return worked_out.kept(self.record, _kept_as(piece, entry.number), self._basis(piece, entry.number), PieceState)

    def _keep(self, piece: str, number: int) -> None:
        (entry,) = (entry for entry in self._entries[piece] if entry.number == number)
        if isinstance(entry.step, HeatRun | HeatTyped):
            its_basis, state = self._basis(piece, number), self._states[piece, number]
            worked_out.keep(self.record, _kept_as(piece, number), its_basis, state)

    def _basis(self, piece: str, number: int) -> str:
        """A digest of all that a piece after one of its steps comes from: its steps, runs and other pieces."""
        its_basis = ""
        for entry in standing(tuple(self._entries[piece])):
            if entry.number > number:
                break
            key = (piece, entry.number)
            if key not in self._bases:
                step = [entry.number, kind_of(entry.step), plain(entry.step), self._from_elsewhere(entry.step)]
                self._bases[key] = worked_out.digest(digest_with_pieces(), piece, its_basis, step)
            its_basis = self._bases[key]
        return its_basis

    def _from_elsewhere(self, step: Step) -> list[Any]:
        """What a step goes by besides what it says."""
        if isinstance(step, HeatRun | TemperRun):
            heat = self._run(step.run)
            readings = ReadingsSeen(heat.history).hexdigest()
            return [plain(heat.sheet), plain(heat.thermocouple), heat.history.interval_s, readings]
        if isinstance(step, Stack):
            return [self._basis(part.piece, part.step) for part in step.parts]
        return []

    def _sources(self) -> Sources:
        return Sources(run=self._run, piece=self._state)

    def _run_id(self, run: str) -> str:
        self._check_record()
        with RecordReader(self.record) as reader:
            return reader.run(run).id

    def _learned_of(self, run: str) -> Correction | None:
        with RecordReader(self.record) as reader:
            return as_learned(reader, recorded_sheet(reader, reader.run(run))).correction

    def _known_of(self, recipe: str, iron_lot: str) -> Correction | None:
        if not self.record.exists() or not (recipe or iron_lot):
            return None
        with RecordReader(self.record) as reader:
            found = newest_learned(reader)
        return None if found is None else found[1].for_names(recipe, iron_lot, found[0])

    def _by_its_lot(self, step: Begin) -> Begin:
        """A new piece with the carbon that coupons of its lot of iron have taught, where nobody says how sure it is."""
        if step.carbon_spread_wt_pct is not None:
            return step
        correction = self._known_of("", step.iron_lot)
        if correction is None:
            return step
        place = Correction.OF_START_CARBON
        spread = float(carbon_content_spread_wt_pct(step.carbon_wt_pct))
        carbon = step.carbon_wt_pct + spread * correction.mean[place]
        return replace(
            step,
            carbon_wt_pct=min(max(carbon, 0.0), HIGHEST_CARBON_WT_PCT),
            carbon_spread_wt_pct=spread * sqrt(correction.covariance[place][place]),
            stated_carbon_wt_pct=step.carbon_wt_pct,
        )

    def _iron_lot(self, piece: str) -> str:
        """The lot of iron a piece is of; empty where it has none, or several."""
        first = self.entries(piece)[0].step
        if isinstance(first, Begin):
            return first.iron_lot
        lots = {self._iron_lot(part.piece) for part in first.parts} if isinstance(first, Stack) else set()
        return lots.pop() if len(lots) == 1 else ""

    def _check_record(self) -> None:
        if not self.record.exists():
            raise InputFault(Fault(f"record {self.record}", "no such file", "the record with the run"))

    def _run(self, run: str) -> RecordedHeat:
        if run not in self._runs:
            self._check_record()
            with RecordReader(self.record) as reader, reader.snapshot():
                self._runs[run] = recorded_heat(reader, run)
        return self._runs[run]

    # The record

    def _take(self, row: PieceStepRow) -> None:
        detail = dict(row.detail)
        units = detail.pop("written_in", {})
        before = self._units.get(row.piece, Units())
        self._units[row.piece] = Units(
            units.get("temperature") or before.temperature, units.get("length") or before.length
        )
        entry = Entry(row.step, row.utc_s, step_from_plain(row.kind, detail), row.note)
        self._entries.setdefault(row.piece, []).append(entry)

    def _append(self, lines: Sequence[tuple[str, Entry]], units: Units) -> None:
        rows = [
            PieceStepRow(
                piece,
                entry.number,
                entry.utc_s,
                kind_of(entry.step),
                {**plain_step(entry.step), "written_in": {"temperature": units.temperature, "length": units.length}},
                entry.note,
            )
            for piece, entry in lines
        ]
        append_to_workbench(self.record, ledger_lines(rows))
        for row in rows:
            self._take(row)


def _kept_as(piece: str, number: int) -> str:
    """The name under which what a piece was after a step is kept; no run has one with a blank."""
    return f"piece {piece} {number}"


def ledger_lines(rows: Sequence[PieceStepRow]) -> Operation:
    """The operation that adds lines to the ledger, all or none."""
    return Operation(
        "piece_step",
        tuple(
            {
                "id": new_id(),
                "piece": row.piece,
                "step": row.step,
                "utc_s": float(row.utc_s),
                "kind": row.kind,
                "detail": dumps(row.detail, ensure_ascii=False, allow_nan=False),
                "note": row.note,
            }
            for row in rows
        ),
    )


def recorded_heat(reader: RecordReader, run: str) -> RecordedHeat:
    """A recorded run as a piece sees it. Raises InputFault where it has no readings."""
    row = reader.run(run)
    histories = {name: one for name, one in reader.histories(row.id).items() if len(one)}
    if not histories:
        raise InputFault(Fault(f"run {row.id}", "no readings", "a run with at least one"))
    sheet = recorded_sheet(reader, row)
    channel = estimate.driving_channel(tuple(histories), sheet)
    history = histories[channel]
    if not history.good.any():
        raise InputFault(Fault(f"run {row.id}, channel {channel}", "no good reading at all", "at least one"))
    return RecordedHeat(sheet, history, recorded_thermocouples(reader, row.id).get(channel))


def stack_part(words: str, ledger: Ledger) -> list[Part]:
    """The parts that a word of a stack names: ``strap``, ``strap*2``, ``strap:turned``.

    Raises   InputFault    no such piece, not a number of pieces
    """
    name, colon, how = words.partition(":")
    name, star, many = name.partition("*")
    if colon and how != "turned":
        raise InputFault(Fault(f"stack, {words}", f'":{how}"', '":turned" for a piece turned over, or nothing'))
    if star and not (many.isdigit() and 1 <= int(many) <= 200):
        raise InputFault(Fault(f"stack, {words}", f'"*{many}"', 'how many of it, such as "strap*2"'))
    ledger.known(name)
    return [Part(name, ledger.last_step(name), bool(colon))] * (int(many) if star else 1)
