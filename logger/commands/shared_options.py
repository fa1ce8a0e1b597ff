"""Options and habits that several commands share: units, the record, faults told plainly."""

import re
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.errors import Fault, InputFault, OutsideFault
from logger.quantities import Dimension, Written
from logger.units import DisplayUnits

if TYPE_CHECKING:
    from logger.board import Board
    from logger.page.server import Page, PageSettings

Command = TypeVar("Command", bound=Callable[..., Any])

DEFAULT_RECORD = Path("record.db")

temperature_option = click.option(
    "--temperature", "temperature_unit", type=click.Choice(["C", "F"]), help="Show temperatures in °C or °F."
)
length_option = click.option(
    "--length", "length_unit", type=click.Choice(["mm", "in"]), help="Show lengths in mm or inches."
)
record_option = click.option(
    "--record",
    type=click.Path(readable=False, path_type=Path),
    default=DEFAULT_RECORD,
    show_default=True,
    help="The record, as the oven file names it.",
)


def page_options(default: str | None) -> Callable[[Command], Command]:
    """Options about the live page; ``default``: where it is served unasked, None for nowhere."""

    def add(command: Command) -> Command:
        for option in (
            click.option("--no-page", is_flag=True, help="Serve no page."),
            click.option(
                "--page-password",
                "password_file",
                metavar="FILE",
                type=click.Path(readable=False, path_type=Path),
                help="The password file, needed where others than this machine shall reach the page.",
            ),
            click.option(
                "--page-name",
                "page_names",
                metavar="NAME",
                multiple=True,
                help="Another name by which this machine is asked for.",
            ),
            click.option(
                "--page",
                "page_address",
                metavar="HOST:PORT",
                default=default,
                show_default=True,
                help="Serve the live page there.",
            ),
        ):
            command = option(command)
        return command

    return add


def page_settings(
    address: str | None, names: tuple[str, ...], password_file: Path | None, no_page: bool
) -> "PageSettings | None":
    """What the page options come to; None: no page.

    Raises   InputFault   an address that is none, or one open to the network without a password that can be used
    """
    from logger.page.server import PageSettings

    if no_page or address is None:
        return None
    settings = PageSettings.of_words(address, names, password_file)
    settings.passwords()  # refused before anything is watched
    return settings


def page_or_words(
    stack: ExitStack, settings: "PageSettings | None", board: "Board", records: Mapping[str, Path]
) -> "Page | None":
    """The page, for as long as the stack is open; where it cannot be served the watch goes on and says so."""
    from logger.page.server import serving

    try:
        page = stack.enter_context(serving(settings, board, records))
    except OutsideFault as trouble:
        click.echo(f"No live page: {trouble}", err=True)
        return None
    if page is not None:
        click.echo(f"Live page: {page.address}")
    return page


@contextmanager
def told_plainly() -> Iterator[None]:
    """Faults become lines on standard error and an exit code; our own mistakes keep their traceback.

    A quantity in a fault is said in the units the command was asked for, else in those of the sheet it is about.
    """
    try:
        yield
    except InputFault as refusal:
        click.echo(_said(refusal), err=True)
        sys.exit(2)
    except OutsideFault as trouble:
        click.echo(str(trouble), err=True)
        sys.exit(1)


def _said(refusal: InputFault) -> str:
    asked = click.get_current_context().params
    temperature, length = asked.get("temperature_unit"), asked.get("length_unit")
    if temperature is None and length is None:
        return str(refusal)
    return refusal.said(DisplayUnits(temperature or "C", length or "mm"))


def quantity_of(option: str, dimension: Dimension, words: str) -> Written:
    """A quantity typed with its unit after an option. Raises InputFault where it is none."""
    try:
        return dimension.read(words)
    except ValueError:
        with_unit = re.sub(r"such as [\d.]+(?: or|,)", "such as", dimension.expected)
        raise InputFault(Fault(option, f'"{words}"', with_unit)) from None
