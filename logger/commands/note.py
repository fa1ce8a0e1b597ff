"""``soaktally note``: add a note to a run, running or finished."""

import time
from pathlib import Path

import click

from logger.commands.asking import whoever
from logger.commands.shared_options import record_option, told_plainly


@click.command()
@click.argument("run")
@click.argument("text")
@record_option
@click.option("--at", metavar="TIME", help='The moment it is about, since the run began, such as "1 h 20 min".')
@click.option("--author", default=None, help="Who says so; left out, whoever is logged in.")
def note(run: str, text: str, record: Path, at: str | None, author: str | None) -> None:
    """Add a note to a run ("last" is the newest), also long after it has ended. Notes are added, never changed."""
    with told_plainly():
        from logger import record as records
        from logger.errors import Fault, InputFault
        from logger.quantities import DURATION

        if not text.strip():
            raise InputFault(Fault("note", "no words", "what there is to say"))
        try:
            time_s = None if at is None else DURATION.read(at).value
        except ValueError as refusal:
            raise InputFault(Fault("--at", f'"{at}"', str(refusal))) from None
        with records.RecordReader(record) as reader:
            found = reader.run(run).id
        written = records.note(
            found, text, utc_s=time.time(), time_s=time_s, author=whoever() if author is None else author
        )
        records.append_from_outside(record, written)
        click.echo(f"Noted in run {found}.")
