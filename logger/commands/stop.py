"""``soaktally stop``: end the run of an oven."""

from pathlib import Path

import click

from logger.commands.asking import asked, json_option, wait_option
from logger.commands.shared_options import told_plainly


@click.command()
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(readable=False, path_type=Path))
@json_option
@wait_option
def stop(oven_file: Path, as_json: bool, wait: float) -> None:
    """End the run of an oven in the record. The oven itself is not touched: soaktally only reads."""
    with told_plainly():
        from logger.requests import STOP

        asked(oven_file, STOP, wait, as_json, how="stopped")
