"""``soaktally serve``: watch any number of ovens for as long as the computer runs."""

import threading
from collections.abc import Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.shared_options import page_options, page_or_words, page_settings, told_plainly
from logger.errors import Fault, InputFault
from logger.views.wording import alert_words

if TYPE_CHECKING:
    from logger.alert import AlertEvent
    from logger.oven_file import OvenSettings


@click.command()
@click.argument(
    "oven_files", metavar="OVEN.toml...", nargs=-1, required=True, type=click.Path(readable=False, path_type=Path)
)
@click.option(
    "--log",
    "log_file",
    metavar="FILE",
    type=click.Path(readable=False, path_type=Path),
    help="Where the log goes, turned over at 1 MB; left out, soaktally.log beside the first oven's record.",
)
@page_options("127.0.0.1:8427")
def serve(
    oven_files: tuple[Path, ...],
    log_file: Path | None,
    page_address: str | None,
    page_names: tuple[str, ...],
    password_file: Path | None,
    no_page: bool,
) -> None:
    """Watch ovens day and night; runs begin and end with `soaktally start` and `soaktally stop`.

    An oven without a run shows its live readings and tells when it is too hot. A run that was going on when this ended
    is taken up again. Oven files that change, or SIGHUP, are read again without losing a run.
    """
    with told_plainly():
        from logger import daemon
        from logger.board import Board
        from logger.daemon_log import logged
        from logger.views.cautions import Moment, caution

        ovens = usable(oven_files)
        stop, board = threading.Event(), Board()
        settings = page_settings(page_address, page_names, password_file, no_page)
        records = {oven.name: oven.record for oven in ovens}
        click.echo(caution(Moment.LEAVING), err=True)

        def said(event: "AlertEvent", oven: str) -> None:
            about = f"{oven}: " if oven else ""
            click.echo(f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S} {about}{alert_words(event)}")

        def ready(running: daemon.Daemon, stack: ExitStack) -> None:
            page_or_words(stack, settings, board, records)
            for oven in running.ovens.values():
                going_on = f"run {oven.run.run} goes on" if oven.run is not None else "no run"
                click.echo(f"Watching {oven.name}: {going_on}; its record is {oven.settings.record}.")
            for name, why in running.left_out.items():
                click.echo(f"NOT watching {name}: {why}", err=True)

        with (
            logged(log_file or ovens[0].record.with_name("soaktally.log")),
            daemon.stopped_by_signals(stop),
            ExitStack() as stack,
        ):
            orders = daemon.Orders(tell=said)
            daemon.serve(oven_files, stop, board=board, orders=orders, ready=lambda running: ready(running, stack))


def usable(oven_files: Sequence[Path]) -> "list[OvenSettings]":
    """What those oven files say that can be used. Raises InputFault with every fault where none can be."""
    from logger.oven_file import read_oven

    ovens: list[OvenSettings] = []
    faults: list[Fault] = []
    for file in oven_files:
        try:
            ovens.append(read_oven(file))
        except InputFault as refusal:
            faults += refusal.faults
    if not ovens:
        raise InputFault(faults)
    return ovens
