"""``soaktally backup``: a copy of a record, also while it is being written."""

from pathlib import Path

import click

from logger.commands.shared_options import record_option, told_plainly


@click.command()
@click.argument("copy", metavar="COPY.db", type=click.Path(readable=False, path_type=Path))
@record_option
def backup(copy: Path, record: Path) -> None:
    """Copy a record as it is at one moment, also while it is being written. The copy appears whole or not at all."""
    with told_plainly():
        from logger.record import back_up

        back_up(record, copy)
        click.echo(f"Copied {record} to {copy} ({copy.stat().st_size / 1e6:.1f} MB).")
