"""``soaktally start``: begin a run on an oven that is being watched."""

from pathlib import Path

import click

from logger.commands.asking import asked, json_option, wait_option
from logger.commands.shared_options import told_plainly


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
@json_option
@wait_option
def start(oven_file: Path, sheet_file: Path, as_json: bool, wait: float) -> None:
    """Begin a run on an oven that `soaktally serve` watches. The sheet is kept in the record, letter for letter."""
    with told_plainly():
        from logger.requests import START
        from logger.sheet_file import read_sheet

        read_sheet(sheet_file)
        text = sheet_file.read_text(encoding="utf-8")
        asked(oven_file, START, wait, as_json, sheet_name=sheet_file.stem, sheet_text=text)
