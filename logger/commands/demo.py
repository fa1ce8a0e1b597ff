"""``soaktally demo``: a whole heat of the simulated oven."""

import os
import sys
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
from logger.commands.situations import asked_units, in_units, shown
from logger.views.wording import alert_words


@click.command()
@click.option("--heat", default="plane-iron", show_default=True, help="Which heat: plane-iron, too-hot or temper.")
@click.option(
    "--folder",
    default="demo-run",
    show_default=True,
    type=click.Path(readable=False, path_type=Path),
    help="Where it goes.",
)
@click.option(
    "--season",
    metavar="FOLDER",
    type=click.Path(readable=False, path_type=Path),
    help="Instead of one heat, a whole season of ten, with its dashboards in FOLDER/pages; about twenty minutes.",
)
@click.option("--speed", default=300.0, show_default=True, help="How much faster than real time.")
@click.option("--webhook", metavar="URL", help="An address that is told of every alert, too.")
@click.option(
    "--tap",
    metavar="FILE.csv",
    type=click.Path(readable=False, path_type=Path),
    help="Keep every frame on the wire here.",
)
@page_options("127.0.0.1:8427")
@click.option(
    "--stay/--no-stay",
    default=None,
    help="Go on serving the page when the heat is over, until Ctrl-C. Left out: where somebody sits at a terminal.",
)
@temperature_option
@length_option
def demo(
    heat: str,
    folder: Path,
    season: Path | None,
    speed: float,
    webhook: str | None,
    tap: Path | None,
    page_address: str | None,
    page_names: tuple[str, ...],
    password_file: Path | None,
    no_page: bool,
    stay: bool | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Watch a whole heat of a simulated oven in about a minute and a half: port, record, alerts, review, picture.

    All data is invented. The clock of the run is the simulated one, and the record says so.
    """
    with told_plainly():
        from logger.errors import Fault, InputFault

        if not 0.0 < speed < float("inf"):
            raise InputFault(Fault("--speed", f"{speed:g}", "more than 0"))
        if season is not None:
            _season(season, speed)
            return
        from logger import daemon
        from logger import demo as demonstration
        from logger.board import Board
        from logger.review import review_run
        from logger.views.calm_lines import live_view
        from logger.views.run_views import snapshot_of

        chosen = demonstration.heat_named(heat)
        folder = demonstration.fresh_folder(folder)
        settings = page_settings(page_address, page_names, password_file, no_page)
        stop = threading.Event()
        minutes = chosen.duration_h * 60.0 / speed
        click.echo(f"A simulated oven, invented data: {chosen.says}.")
        click.echo(
            f"{chosen.duration_h:g} h of heat, {speed:g} times faster: about {minutes:.1f} min. Ctrl-C stops it."
        )
        board, attended = Board(), sys.stdout.isatty()
        with daemon.stopped_by_signals(stop), ExitStack() as stack:
            page = page_or_words(stack, settings, board, {demonstration.OVEN_NAME: folder / "record.db"})
            if page is not None and attended:
                _show_in_browser(page.address)
            click.echo("")
            footer = "Ctrl-C stops the demonstration." + (f" Live page: {page.address}" if page is not None else "")
            with live_view(footer=f"Simulated oven, invented data. {footer}") as view:
                done = demonstration.demonstrate(
                    folder,
                    chosen,
                    speed,
                    stop,
                    webhook=webhook,
                    show=lambda now: view.show(snapshot_of(now)),
                    in_units=asked_units(temperature_unit, length_unit),
                    say=lambda event: None if event.phase == "reminded" else view.say(alert_words(event)),
                    tell=view.say,
                    tap=tap,
                    board=board,
                )
            situation = review_run(done.record, done.run)
            click.echo("")
            shown(in_units(situation, temperature_unit, length_unit), folder / f"run-{done.run}.png", quiet=False)
            click.echo(f"\nThe oven file, the run sheet and the record are in {folder}. Look again with:")
            click.echo(f"  soaktally review {done.run} --record {done.record}")
            if page is not None and (attended if stay is None else stay) and not stop.is_set():
                click.echo(f"\nThe page stays at {page.address} until Ctrl-C.")
                stop.wait()


def _show_in_browser(address: str) -> None:
    """Open the page where there is a screen to open it on."""
    import webbrowser

    if os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY") or sys.platform in ("darwin", "win32"):
        webbrowser.open(address)


def _season(folder: Path, speed: float) -> None:
    """Ten heats one after the other, then the pages."""
    from logger import daemon, demo_season

    stop = threading.Event()
    hours = sum(heat.duration_h for heat in demo_season.SEASON)
    minutes = 60.0 * hours / speed
    click.echo("A season of a simulated oven, invented data: ten heats from January to March.")
    click.echo(f"{hours:g} h of heat, {speed:g} times faster: about {minutes:.0f} min. Ctrl-C stops it.\n")
    with daemon.stopped_by_signals(stop):
        record, runs = demo_season.season(folder, speed, stop, click.echo)
    written = demo_season.pages(folder / "pages", record, click.echo)
    click.echo(f"\n{len(runs)} runs. Open {written[0]} in a browser, or look at {folder / 'pages' / 'season.png'}.")
