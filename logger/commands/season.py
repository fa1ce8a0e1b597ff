"""``soaktally season``: all runs of a record on one page, with the state of the oven and a report of each."""

import sys
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly


@click.command()
@record_option
@click.option("--oven", metavar="NAME", help="Only runs of this oven.")
@click.option(
    "--last",
    metavar="N",
    type=click.IntRange(min=1),
    default=24,
    show_default=True,
    help="The last N runs; each takes a few seconds to work out.",
)
@click.option(
    "-o",
    "--output",
    "folder",
    metavar="FOLDER",
    default="season",
    show_default=True,
    type=click.Path(readable=False, path_type=Path),
    help="Where the pages go.",
)
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True, help="For printing.")
@temperature_option
@length_option
def season(
    record: Path,
    oven: str | None,
    last: int,
    folder: Path,
    paper: Literal["A4", "Letter"],
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Put the runs of a record side by side: small pictures on the same scales, what came of each, how the oven does.

    Writes a folder of plain files that open without a server: index.html, season.png, trend.png, and a report of
    every run.
    """
    with told_plainly():
        from dataclasses import replace

        from logger.commands.situations import in_units
        from logger.season import season_of
        from logger.views.season_files import write_season

        def tell(number: int, count: int, run: str) -> None:
            if sys.stderr.isatty():
                click.echo(f"{number} of {count}: {run}", err=True)

        runs = tuple(
            replace(run, situation=in_units(run.situation, temperature_unit, length_unit))
            for run in season_of(record, oven, last, tell)
        )
        units = runs[-1].situation.problem.sheet.display
        written = write_season(folder, runs, units, paper=paper)
        click.echo(f"{len(runs)} run{'s' if len(runs) != 1 else ''}: {written[0]}")
