"""The ``soaktally`` command: arguments in, exit code out.

Exit codes: 0 done, 2 the input cannot be used (one line per fault on standard error), 1 the outside world failed.
Everything heavy is imported by the command that needs it, so that the others start at once.
"""

import json
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from logger.errors import Fault, InputFault, OutsideFault

if TYPE_CHECKING:
    from logger.alert import AlertEvent
    from logger.situation import Situation

DEFAULT_RECORD = Path("record.db")

temperature_option = click.option(
    "--temperature", "temperature_unit", type=click.Choice(["C", "F"]), help="Show temperatures in °C or °F."
)
length_option = click.option(
    "--length", "length_unit", type=click.Choice(["mm", "in"]), help="Show lengths in mm or inches."
)
record_option = click.option(
    "--record",
    type=click.Path(path_type=Path),
    default=DEFAULT_RECORD,
    show_default=True,
    help="The record, as the oven file names it.",
)


@contextmanager
def _told_plainly() -> Iterator[None]:
    """Faults become lines on standard error and an exit code; our own mistakes keep their traceback."""
    try:
        yield
    except InputFault as refusal:
        for fault in refusal.faults:
            click.echo(str(fault), err=True)
        sys.exit(2)
    except OutsideFault as trouble:
        click.echo(str(trouble), err=True)
        sys.exit(1)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="soaktally", message="%(package)s %(version)s")
def main() -> None:
    """Read an oven's thermocouples, keep the history, say what it did to the steel.

    Read-only: soaktally cannot switch an oven off and is no safety device.
    """


@main.command()
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(path_type=Path))
@click.option(
    "--sheet", "sheet_file", metavar="SHEET.toml", required=True, type=click.Path(path_type=Path), help="The run sheet."
)
@click.option("--for", "duration", metavar="TIME", help='End the run by itself after this long, such as "6 h".')
@temperature_option
@length_option
def watch(
    oven_file: Path,
    sheet_file: Path,
    duration: str | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Watch a run: read, record, estimate, alert. Ctrl-C ends it cleanly.

    A run of the same sheet that was broken off is taken up again where it stopped.
    """
    with _told_plainly():
        from logger import daemon
        from logger.clock import FastClock, RealClock
        from logger.oven_file import read_oven
        from logger.quantities import DURATION
        from logger.sheet_file import read_sheet
        from logger.views.cautions import Moment, caution
        from logger.views.live_terminal import LiveTerminal
        from logger.views.run_views import snapshot_of

        oven, _ = read_oven(oven_file), read_sheet(sheet_file)
        try:
            until_s = None if duration is None else DURATION.read(duration).value
        except ValueError as refusal:
            raise InputFault(Fault("--for", f'"{duration}"', str(refusal))) from None
        clock = RealClock() if oven.clock_speed == 1.0 else FastClock(oven.clock_speed)
        stop = threading.Event()
        click.echo(caution(Moment.LEAVING), err=True)
        with (
            daemon.stopped_by_signals(stop),
            LiveTerminal(footer="Ctrl-C ends the run; what was read stays in the record.") as view,
        ):
            orders = daemon.Orders(
                until_s=until_s,
                show=lambda now: view.show(snapshot_of(_in_units(now, temperature_unit, length_unit))),
                say=lambda event: view.say(_alert_words(event)),
            )
            run = daemon.watch(oven, sheet_file, clock, orders, stop)
        click.echo(f"Run {run} is in {oven.record}. Look back with: soaktally review {run} --record {oven.record}")


@main.command()
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON array, for programs.")
@temperature_option
def runs(record: Path, as_json: bool, temperature_unit: Literal["C", "F"] | None) -> None:
    """List the runs in a record."""
    with _told_plainly():
        from logger.record import RecordReader
        from logger.units import DisplayUnits, celsius_from_kelvin
        from logger.views.text import RunLine, runs_text

        with RecordReader(record) as reader:
            rows = [(row, reader.peak_K(row.id)) for row in reader.runs()]
        if as_json:
            found = [
                {
                    "run": row.id,
                    "oven": row.oven,
                    "name": row.sheet_name,
                    "started_utc_s": row.started_utc_s,
                    "ended_utc_s": row.ended_utc_s,
                    "how_ended": row.how_ended,
                    "clock": row.clock,
                    "peak_C": None if peak_K is None else celsius_from_kelvin(peak_K),
                }
                for row, peak_K in rows
            ]
            click.echo(json.dumps(found, ensure_ascii=False))
            return
        lines = [
            RunLine(
                run_id=row.id,
                name=row.sheet_name,
                oven=row.oven,
                started_utc_s=row.started_utc_s,
                duration_s=None if row.ended_utc_s is None else row.ended_utc_s - row.started_utc_s,
                peak_K=peak_K,
                outcome=row.how_ended or "not closed",
            )
            for row, peak_K in rows
        ]
        click.echo(runs_text(lines, DisplayUnits(temperature=temperature_unit or "C"), None))


@main.command()
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(path_type=Path),
    help="The run sheet; for a recorded run, another one than its own.",
)
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs; no picture.")
@click.option("--picture", metavar="FILE.png", type=click.Path(path_type=Path), help="Where the picture goes.")
@temperature_option
@length_option
def review(
    what: str,
    sheet_file: Path | None,
    record: Path,
    as_json: bool,
    picture: Path | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Say what a run did to the steel: a recorded RUN ("last" is the newest) or a TRACE.csv with its sheet."""
    with _told_plainly():
        situation = _reviewed(what, sheet_file, record)
        name = f"run-{situation.run}" if situation.run else Path(what).stem
        if as_json:
            from logger.views.contract import review_object

            click.echo(json.dumps(review_object(situation), ensure_ascii=False, allow_nan=False))
            if picture is None:
                return
        _shown(_in_units(situation, temperature_unit, length_unit), picture or Path(f"{name}.png"), quiet=as_json)


@main.command("what-if")
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(path_type=Path),
    help="The run sheet; for a recorded run, another one than its own.",
)
@record_option
@click.option("--more", default="1 h", show_default=True, metavar="TIME", help="How much longer to hold.")
@click.option("--hotter", default=25.0, show_default=True, metavar="DEGREES", help="How much hotter, or cooler.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@temperature_option
@length_option
def what_if(
    what: str,
    sheet_file: Path | None,
    record: Path,
    more: str,
    hotter: float,
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Say what a run would come to: stopped now, held longer, held longer and hotter. It may be going on meanwhile."""
    with _told_plainly():
        from logger.quantities import DURATION
        from logger.views.what_if_text import what_if_object, what_if_text
        from logger.what_if import STOP_NOW, Course
        from logger.what_if import what_if as answered

        situation = _in_units(_reviewed(what, sheet_file, record), temperature_unit, length_unit)
        try:
            hold_s = DURATION.read(more).value
        except ValueError as refusal:
            raise InputFault(Fault("--more", f'"{more}"', str(refusal))) from None
        change_K = hotter / situation.problem.sheet.display.temperature_difference(1.0)
        courses = (STOP_NOW, Course(hold_s), Course(hold_s, change_K))
        answers = [answered(situation.problem, situation.state, course) for course in courses]
        if as_json:
            click.echo(json.dumps(what_if_object(situation, answers), ensure_ascii=False, allow_nan=False))
        else:
            click.echo(what_if_text(situation, answers))


def _reviewed(what: str, sheet_file: Path | None, record: Path) -> "Situation":
    """The situation at the end of a trace with its sheet, or of a recorded run."""
    from logger.review import review_run, review_trace

    trace_file = Path(what)
    if trace_file.suffix.lower() != ".csv" and not trace_file.is_file():
        return review_run(record, what, sheet_file)
    if sheet_file is None:
        raise InputFault(Fault("--sheet", "none", f"the run sheet of {what}"))
    return review_trace(trace_file, sheet_file)


@main.command()
@click.option("--heat", default="plane-iron", show_default=True, help="Which heat: plane-iron, too-hot or temper.")
@click.option("--folder", default="demo-run", show_default=True, type=click.Path(path_type=Path), help="Where it goes.")
@click.option("--speed", default=300.0, show_default=True, help="How much faster than real time.")
@click.option("--webhook", metavar="URL", help="An address that is told of every alert, too.")
@click.option("--tap", metavar="FILE.csv", type=click.Path(path_type=Path), help="Keep every frame on the wire here.")
@temperature_option
@length_option
def demo(
    heat: str,
    folder: Path,
    speed: float,
    webhook: str | None,
    tap: Path | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Watch a whole heat of a simulated oven in about a minute and a half: port, record, alerts, review, picture.

    All data is invented. The clock of the run is the simulated one, and the record says so.
    """
    with _told_plainly():
        from logger import daemon
        from logger import demo as demonstration
        from logger.review import review_run
        from logger.views.live_terminal import LiveTerminal
        from logger.views.run_views import snapshot_of

        chosen = demonstration.heat_named(heat)
        folder = demonstration.fresh_folder(folder)
        stop = threading.Event()
        minutes = chosen.duration_h * 60.0 / speed
        click.echo(f"A simulated oven, invented data: {chosen.says}.")
        click.echo(
            f"{chosen.duration_h:g} h of heat, {speed:g} times faster: about {minutes:.1f} min. Ctrl-C stops it.\n"
        )
        with (
            daemon.stopped_by_signals(stop),
            LiveTerminal(footer="Simulated oven, invented data. Ctrl-C stops the demonstration.") as view,
        ):
            done = demonstration.demonstrate(
                folder,
                chosen,
                speed,
                stop,
                webhook=webhook,
                show=lambda now: view.show(snapshot_of(_in_units(now, temperature_unit, length_unit))),
                say=lambda event: None if event.phase == "reminded" else view.say(_alert_words(event)),
                tell=view.say,
                tap=tap,
            )
        situation = review_run(done.record, done.run)
        click.echo("")
        _shown(_in_units(situation, temperature_unit, length_unit), folder / f"run-{done.run}.png", quiet=False)
        click.echo(f"\nThe oven file, the run sheet and the record are in {folder}. Look again with:")
        click.echo(f"  soaktally review {done.run} --record {done.record}")


def _in_units(
    situation: "Situation", temperature_unit: Literal["C", "F"] | None, length_unit: Literal["mm", "in"] | None
) -> "Situation":
    """The same situation, shown in the units asked for on the command line instead of the sheet's."""
    if temperature_unit is None and length_unit is None:
        return situation
    sheet = situation.problem.sheet
    display = replace(
        sheet.display,
        temperature=temperature_unit or sheet.display.temperature,
        length=length_unit or sheet.display.length,
    )
    return replace(situation, problem=replace(situation.problem, sheet=replace(sheet, display=display)))


def _shown(situation: "Situation", picture: Path, quiet: bool) -> None:
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


def _alert_words(event: "AlertEvent") -> str:
    """One alert event on one line of a terminal."""
    return f"{event.phase}: {event.title}. {event.message}"
