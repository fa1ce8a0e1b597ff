"""``soaktally watch``: watch a run."""

import threading
from contextlib import ExitStack
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import (
    length_option,
    page_options,
    page_or_words,
    page_settings,
    temperature_option,
    told_plainly,
)
from logger.commands.situations import asked_units
from logger.errors import Fault, InputFault
from logger.views.wording import alert_words


@click.command()
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(readable=False, path_type=Path))
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    required=True,
    type=click.Path(readable=False, path_type=Path),
    help="The run sheet.",
)
@click.option("--for", "duration", metavar="TIME", help='End the run by itself after this long, such as "6 h".')
@page_options(None)
@temperature_option
@length_option
def watch(
    oven_file: Path,
    sheet_file: Path,
    duration: str | None,
    page_address: str | None,
    page_names: tuple[str, ...],
    password_file: Path | None,
    no_page: bool,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Watch a run: read, record, estimate, alert. Ctrl-C ends it cleanly.

    A run of the same sheet that was broken off is taken up again where it stopped.
    """
    with told_plainly():
        from logger import daemon
        from logger.board import Board
        from logger.clock import FastClock, RealClock
        from logger.oven_file import read_oven
        from logger.quantities import DURATION
        from logger.sheet_file import read_sheet
        from logger.views.calm_lines import live_view
        from logger.views.cautions import Moment, caution
        from logger.views.run_views import snapshot_of

        oven, _ = read_oven(oven_file), read_sheet(sheet_file)
        try:
            until_s = None if duration is None else DURATION.read(duration).value
        except ValueError as refusal:
            raise InputFault(Fault("--for", f'"{duration}"', str(refusal))) from None
        clock = RealClock() if oven.clock_speed == 1.0 else FastClock(oven.clock_speed)
        stop, board = threading.Event(), Board()
        settings = page_settings(page_address, page_names, password_file, no_page)
        click.echo(caution(Moment.LEAVING), err=True)
        with daemon.stopped_by_signals(stop), ExitStack() as stack:
            view = live_view(footer="Ctrl-C ends the run; what was read stays in the record.")

            def ready() -> None:
                page_or_words(stack, settings, board, {oven.name: oven.record})
                stack.enter_context(view)

            orders = daemon.Orders(
                until_s=until_s,
                show=lambda now: view.show(snapshot_of(now)),
                say=lambda event: view.say(alert_words(event)),
                in_units=asked_units(temperature_unit, length_unit),
            )
            run = daemon.watch(oven, sheet_file, clock, orders, stop, board, ready)
        click.echo(f"Run {run} is in {oven.record}. Look back with: soaktally review {run} --record {oven.record}")
