"""From what a person named to a situation, and from a situation to what they see: shared by several commands."""

import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from logger.errors import Fault, InputFault, OutsideFault

if TYPE_CHECKING:
    from logger.review import Progress
    from logger.situation import Situation
    from logger.units import InUnits


def reviewed(
    what: str,
    sheet_file: Path | None,
    record: Path,
    *,
    even_without_readings: bool = False,
    as_learned_since: bool = False,
    anew: bool = False,
) -> "Situation":
    """The situation at the end of a trace with its sheet, or of a recorded run; ``anew``: not as it was kept."""
    from logger.review import review_run, review_trace

    trace_file = Path(what)
    if trace_file.suffix.lower() != ".csv" and not trace_file.is_file():
        return review_run(
            record,
            what,
            sheet_file,
            even_without_readings=even_without_readings,
            as_learned_since=as_learned_since,
            anew=anew,
            progress=_told_while_it_lasts(what),
        )
    if as_learned_since:
        raise InputFault(
            Fault("--corrected", "a trace", "a run of the record; a trace's sheet has its own [correction]")
        )
    if sheet_file is None:
        raise InputFault(Fault("--sheet", "none", f"the run sheet of {what}"))
    return review_trace(trace_file, sheet_file, even_without_readings=even_without_readings)


def check_there(what: str, sheet_file: Path | None, record: Path) -> None:
    """Refuse a run, a trace or a sheet that is not there, before anything is worked out.

    Raises   InputFault    no such run, file or record
    """
    from logger.record import RecordReader
    from logger.review import is_trace
    from logger.sheet_file import read_sheet

    if sheet_file is not None:
        read_sheet(sheet_file)
    if is_trace(what):
        if not Path(what).is_file():
            raise InputFault(Fault(what, "no such file", "a trace, or a run of the record"))
        if sheet_file is None:
            raise InputFault(Fault("--sheet", "none", f"the run sheet of {what}"))
    else:
        with RecordReader(record) as reader:
            reader.run(what)


QUIET_S = 1.0
"""What is done sooner needs no word that it is being done."""


def _told_while_it_lasts(run: str) -> "Progress | None":
    """Says on a terminal how far a run is that has to be worked out from its readings, if that takes long."""
    if not sys.stderr.isatty():
        return None
    begun_s = time.monotonic()

    def told(part: float) -> None:
        if time.monotonic() - begun_s > QUIET_S:
            click.echo(f"\rRun {run} is worked out from its readings: {100.0 * part:.0f} %", err=True, nl=part == 1.0)

    return told


def with_sheet(named: str) -> tuple[str, Path | None]:
    """A run or trace and the sheet after its colon, as in ``2026-11-25-a:thicker.toml``; None where there is none."""
    what, colon, sheet = named.rpartition(":")
    return (what, Path(sheet)) if colon and what and sheet.lower().endswith(".toml") else (named, None)


def in_units(
    situation: "Situation", temperature_unit: Literal["C", "F"] | None, length_unit: Literal["mm", "in"] | None
) -> "Situation":
    """The same situation, shown in the units asked for on the command line instead of the sheet's."""
    return situation.shown_in(asked_units(temperature_unit, length_unit)(situation.problem.sheet.display))


def asked_units(temperature_unit: Literal["C", "F"] | None, length_unit: Literal["mm", "in"] | None) -> "InUnits":
    """What turns a sheet's units into those asked for on the command line."""
    return lambda own: replace(own, temperature=temperature_unit or own.temperature, length=length_unit or own.length)


def shown(situation: "Situation", picture: Path, quiet: bool) -> None:
    """The review as text, and the picture."""
    from logger.views.plots import save_png
    from logger.views.run_views import review_of, run_view_of
    from logger.views.text import review_text

    if not quiet:
        click.echo(review_text(review_of(situation)))
    try:
        save_png(run_view_of(situation), situation.problem.sheet.display, picture)
    except OSError as error:
        raise OutsideFault(f"{picture}: the picture could not be written: {error.strerror}") from error
    click.echo(f"\nPicture: {picture}", err=quiet)
