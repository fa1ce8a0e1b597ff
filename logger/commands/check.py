"""``soaktally check``: what stands between an oven and its first true reading."""

import json
import sys
import threading
from math import nan
from pathlib import Path
from typing import Literal

import click

from logger.commands.progress import ProgressLine
from logger.commands.shared_options import temperature_option, told_plainly
from logger.errors import Fault, InputFault


@click.command()
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(readable=False, path_type=Path))
@click.option("--room", metavar="TEMPERATURE", help='What a thermometer in the room says, such as "21 C": oven cold.')
@click.option("--shows", metavar="TEMPERATURE", help='What the controller\'s display says now, such as "612 C".')
@click.option("--channel", metavar="NAME", default="", help="Which channel --shows is about; without it, the first.")
@click.option(
    "--for", "duration", metavar="TIME", default="20 s", show_default=True, help='How long to watch, such as "40 min".'
)
@click.option("--thorough", is_flag=True, help="Where nobody answers, try all 247 unit addresses, not only the first.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs; nothing is asked.")
@temperature_option
def check(
    oven_file: Path,
    room: str | None,
    shows: str | None,
    channel: str,
    duration: str,
    thorough: bool,
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
) -> None:
    """Find out what stands between this computer and the oven's true temperature.

    Opens every port of the oven file, asks every controller, compares with the room or the display, watches for a
    while, tries neighbouring settings where something does not work, and says what is wrong and what to try next.
    It only reads. To see thermocouple and heater tested, let it watch while the oven is heated: --for "40 min".
    Ctrl-C ends it early with what it has found. The exit code is 0 if all is well, 1 if not.
    """
    with told_plainly():
        from dataclasses import replace

        from logger import daemon
        from logger.clock import FastClock, RealClock
        from logger.link_check import CheckOrders, check_oven
        from logger.oven_file import read_oven
        from logger.quantities import DURATION
        from logger.views.check_text import check_object, check_text

        oven = read_oven(oven_file)
        units = replace(oven.display, temperature=temperature_unit or oven.display.temperature)
        oven = replace(oven, display=units)
        if channel and channel not in oven.temperature_channels:
            raise InputFault(Fault("--channel", f'"{channel}"', ", ".join(oven.temperature_channels)))
        if channel and shows is None:
            raise InputFault(Fault("--channel", f'"{channel}" without --shows', "what its display says: --shows"))
        try:
            watch_s = DURATION.read(duration).value
        except ValueError as refusal:
            raise InputFault(Fault("--for", f'"{duration}"', str(refusal))) from None
        if room is None and shows is None and not as_json and sys.stdin.isatty():
            room = click.prompt(
                "What does a thermometer in the room say? (such as 21 C; Enter if the oven is not cold)",
                default="",
                show_default=False,
                err=True,
            )
        orders = CheckOrders(
            room_K=temperature_K("--room", room, units.temperature),
            shown_K=temperature_K("--shows", shows, units.temperature),
            shown_channel=channel,
            watch_s=watch_s,
            thorough=thorough,
        )
        clock = RealClock() if oven.clock_speed == 1.0 else FastClock(oven.clock_speed)
        stop = threading.Event()
        with daemon.stopped_by_signals(stop), ProgressLine() as progress:
            report = check_oven(oven, orders, clock, progress.tell, stop)
        if as_json:
            click.echo(json.dumps(check_object(report), ensure_ascii=False, allow_nan=False))
        else:
            click.echo(check_text(report, units))
    sys.exit(0 if report.is_well else 1)


def temperature_K(option: str, written: str | None, unit: Literal["C", "F"]) -> float:
    """A temperature from the command line [K]; a bare number is in the person's unit; NaN where nothing was said.

    Raises   InputFault    no temperature
    """
    from logger.quantities import TEMPERATURE

    if written is None or not written.strip():
        return nan
    text = written.strip()
    with_unit = text if any(letter.isalpha() for letter in text) else f"{text} {unit}"
    try:
        return TEMPERATURE.read(with_unit).value
    except ValueError:
        raise InputFault(Fault(option, f'"{written}"', 'a temperature such as "21 C" or "70 F"')) from None
