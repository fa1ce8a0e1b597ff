"""A season of the demonstration: ten invented heats of one simulated oven, each through the real bridge.

A plane-iron maker heats every Saturday from January to March. Most heats are as wanted; one is too short, one far too
hot, one loses its cable, and the oven's element gets weaker from February on. Programs, faults and sheets are written
beside the record, so that anyone can see what was put in.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from logger.clock import FastClock
from logger.daemon import Orders, watch
from logger.demo import CARBURIZE_SHEET, OVEN, OVEN_NAME, TEMPER_SHEET, simulated_oven
from logger.errors import Fault, InputFault, OutsideFault
from logger.oven_file import read_oven
from logger.record import append_from_outside, note

POLL_S = 20.0

HEAT_UP = """\
[[segment]]
kind = "ramp"
to_C = 650
rate_C_per_h = 900

[[segment]]
kind = "ramp"
to_C = {hold_C:g}
rate_C_per_h = 500

[[segment]]
kind = "soak"
hours = {soak_h:g}

[[segment]]
kind = "off"
"""

TWO_TEMPERS = """\
[[segment]]
kind = "ramp"
to_C = 205
rate_C_per_h = 400

[[segment]]
kind = "soak"
hours = 1

[[segment]]
kind = "off"
hours = 1

[[segment]]
kind = "ramp"
to_C = 205
rate_C_per_h = 400

[[segment]]
kind = "soak"
hours = 1

[[segment]]
kind = "off"
"""

WEAK_ELEMENT = """
[[fault]]
kind = "dead-element"
amount = {amount:g}
"""

NO_CABLE = """
[[fault]]
kind = "lost-link"
from_s = {from_s:g}
to_s = {to_s:g}
"""


@dataclass(frozen=True, slots=True)
class SeasonHeat:
    """One heat of the season: its day, name, sheet, what the oven does, how long it takes [h], a note written after."""

    day: str
    name: str
    sheet: str
    program: str
    canister: str = "plane-iron"
    duration_h: float = 5.5
    note: str = ""

    @property
    def start_utc_s(self) -> float:
        """When it begins: half past seven in the morning [s since 1970 UTC]."""
        return datetime.fromisoformat(f"{self.day}T07:30:00").replace(tzinfo=UTC).timestamp()


def _straps(lot: str) -> str:
    return CARBURIZE_SHEET.format(name=f"Plane-iron straps, lot {lot}", thickness="6 mm", recipe="energised charcoal")


_USUAL = HEAT_UP.format(hold_C=925.0, soak_h=3.25)

SEASON: tuple[SeasonHeat, ...] = (
    SeasonHeat(
        "2026-01-10", "lot-1", _straps("1"), _USUAL, note="First heat of the year. Bright, even skin. Invented."
    ),
    SeasonHeat("2026-01-17", "lot-2", _straps("2"), _USUAL),
    SeasonHeat(
        "2026-01-24",
        "lot-3",
        _straps("3"),
        HEAT_UP.format(hold_C=925.0, soak_h=2.3),
        note="Had to leave early: the program was set an hour shorter. Invented.",
    ),
    SeasonHeat(
        "2026-01-31",
        "thin-straps",
        CARBURIZE_SHEET.format(name="Thin straps, lot 4", thickness="3 mm", recipe="graphite with bicarbonate"),
        HEAT_UP.format(hold_C=1225.0, soak_h=2.5),
        note="The program was typed wrong. The straps are stuck together, the skin rings like glass. Invented.",
    ),
    SeasonHeat(
        "2026-02-07",
        "lot-5",
        _straps("5"),
        _USUAL + NO_CABLE.format(from_s=10_200.0, to_s=13_500.0),
        note="Swept behind the bench; found the cable on the floor. Invented.",
    ),
    SeasonHeat("2026-02-14", "lot-6", _straps("6"), _USUAL + WEAK_ELEMENT.format(amount=0.08)),
    SeasonHeat(
        "2026-02-21",
        "temper",
        TEMPER_SHEET.replace("Plane iron, tempered twice", "Plane iron of lot 2, tempered twice"),
        TWO_TEMPERS,
        canister="temper",
        duration_h=5.0,
    ),
    SeasonHeat("2026-02-28", "lot-7", _straps("7"), _USUAL + WEAK_ELEMENT.format(amount=0.2)),
    SeasonHeat("2026-03-07", "lot-8", _straps("8"), _USUAL + WEAK_ELEMENT.format(amount=0.3)),
    SeasonHeat(
        "2026-03-14",
        "lot-9",
        _straps("9"),
        _USUAL + WEAK_ELEMENT.format(amount=0.38),
        note="Slow to heat today. Invented.",
    ),
)


def season(
    folder: Path, speed: float, stop: threading.Event, tell: Callable[[str], None] = lambda words: None
) -> tuple[Path, tuple[str, ...]]:
    """Heat the whole season in the simulated oven and watch it for real.

    Parameters
    ----------
    folder : where record, oven file, sheets and programs go; it must be new or empty
    speed : how much faster than real time the heats run
    stop : ends the season early
    tell : called with what a person should know meanwhile

    Returns    the record, and the ids of the runs in it
    Raises     InputFault      a folder with something in it
               OutsideFault    the simulated oven does not start
    """
    if folder.exists() and any(folder.iterdir()):
        raise InputFault(Fault(f"--season {folder}", "a folder with something in it", "a new or an empty folder"))
    for room in ("sheets", "programs"):
        try:
            (folder / room).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutsideFault(
                f"{folder}: could not be written: {(error.strerror or 'no reason given').lower()}"
            ) from error
    runs = []
    for number, heat in enumerate(SEASON, start=1):
        if stop.is_set():
            break
        minutes = heat.duration_h * 60.0 / speed
        tell(f"{number} of {len(SEASON)}: {heat.day} {heat.name}, about {minutes:.1f} min")
        runs.append(_heat(folder, f"{number:02d}-{heat.name}", heat, speed, number, stop, tell))
    return folder / "record.db", tuple(runs)


def _heat(
    folder: Path,
    name: str,
    heat: SeasonHeat,
    speed: float,
    seed: int,
    stop: threading.Event,
    tell: Callable[[str], None],
) -> str:
    sheet_file, program_file = folder / "sheets" / f"{name}.toml", folder / "programs" / f"{name}.toml"
    sheet_file.write_text(heat.sheet, encoding="utf-8")
    program_file.write_text(f"# Invented data: what the simulated oven does.\n{heat.program}", encoding="utf-8")
    oven_file = folder / "oven.toml"
    options = ["--heat", heat.canister, "--program", str(program_file)]
    with simulated_oven(options, speed, seed, tell) as (link, port):
        framing = "rtu" if link == "pty" else "tcp"
        words = OVEN.format(oven=OVEN_NAME, speed=speed, port=port, framing=framing, poll_s=POLL_S)
        oven_file.write_text(words, encoding="utf-8")
        oven = read_oven(oven_file)
        clock = FastClock(speed, heat.start_utc_s)
        run = watch(oven, sheet_file, clock, Orders(until_s=heat.duration_h * 3600.0), stop)
    if heat.note:
        written_utc_s = heat.start_utc_s + (heat.duration_h + 1.0) * 3600.0
        append_from_outside(oven.record, note(run, heat.note, utc_s=written_utc_s, author="the maker, invented"))
    return run


def pages(folder: Path, record: Path, tell: Callable[[str], None] = lambda words: None) -> tuple[Path, ...]:
    """The season's dashboards as plain files in a folder: the page of all runs, a report of each, a comparison.

    Returns    the files written, the index first
    Raises     OutsideFault    the folder cannot be written
    """
    from logger.season import season_of
    from logger.views.comparison import compared
    from logger.views.comparison_html import comparison_html
    from logger.views.report import report_of
    from logger.views.report_files import write_report
    from logger.views.season_files import write_season

    runs = season_of(record, tell=lambda number, count, run: tell(f"Working out {number} of {count}: {run}"))
    by_day = {heat.name: run for heat, run in zip(SEASON, runs, strict=False)}
    written = list(write_season(folder, runs, runs[0].situation.problem.sheet.display))
    if "lot-3" in by_day:
        usual, short = by_day["lot-1"].situation, by_day["lot-3"].situation
        side_by_side = compared([(usual.run, usual), (short.run, short)], "start")
        file = folder / "compare-lot-1-and-3.html"
        try:
            file.write_text(comparison_html(side_by_side), encoding="utf-8")
        except OSError as error:
            raise OutsideFault(f"{file}: could not be written: {error.strerror}") from error
        written.append(file)
    if "thin-straps" in by_day:
        melted = by_day["thin-straps"].situation
        file = folder / f"run-{melted.run}.pdf"
        write_report(report_of(melted), melted, file)
        written.append(file)
    return tuple(written)
