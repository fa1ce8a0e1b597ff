"""``soaktally mark``: keep a note about this very moment of a run."""

from pathlib import Path

import click

from logger.commands.asking import asked, json_option, wait_option, whoever
from logger.commands.shared_options import told_plainly


@click.command()
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(readable=False, path_type=Path))
@click.argument("text")
@click.option("--author", default=None, help="Who says so; left out, whoever is logged in.")
@json_option
@wait_option
def mark(oven_file: Path, text: str, author: str | None, as_json: bool, wait: float) -> None:
    """Keep a note about this very moment of the run that goes on, such as "opened the door"."""
    with told_plainly():
        from logger.requests import MARK

        asked(oven_file, MARK, wait, as_json, text=text, author=whoever() if author is None else author)
