"""Options and habits that several commands share: units, the record, faults told plainly."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from logger.errors import Fault, InputFault, OutsideFault
from logger.quantities import Dimension, Written

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
def told_plainly() -> Iterator[None]:
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


def quantity_of(option: str, dimension: Dimension, words: str) -> Written:
    """A quantity typed with its unit after an option. Raises InputFault where it is none."""
    try:
        return dimension.read(words)
    except ValueError:
        expected = dimension.expected.replace(" 6.0 or", "").replace(" 930.0 or", "").replace(" 2.5,", "")
        raise InputFault(Fault(option, f'"{words}"', expected.replace(" 14.0 or", ""))) from None
