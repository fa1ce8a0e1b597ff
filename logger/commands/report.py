"""``soaktally report``: a run on one page, to print, to send, to keep beside the blade."""

import sys
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly

SUFFIXES = (".html", ".pdf")


@click.command()
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(readable=False, path_type=Path),
    help="The run sheet; for a recorded run, another one than its own.",
)
@record_option
@click.option(
    "-o",
    "--output",
    "outputs",
    metavar="FILE.html|FILE.pdf",
    multiple=True,
    type=click.Path(readable=False, path_type=Path),
    help="Where the report goes; give it twice for both kinds. Without it: run-ID.html here.",
)
@click.option(
    "--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True, help="What it is printed on."
)
@temperature_option
@length_option
def report(
    what: str,
    sheet_file: Path | None,
    record: Path,
    outputs: tuple[Path, ...],
    paper: Literal["A4", "Letter"],
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Write the report of a run: a recorded RUN ("last" is the newest) or a TRACE.csv with its sheet.

    One HTML file with its pictures inside that any browser opens, or a PDF of one page. There is a report of every
    run: of one without a soak, without a reading, or still going; it says what is missing.
    """
    with told_plainly():
        from logger.commands.situations import in_units, reviewed
        from logger.errors import Fault, InputFault

        wrong = [file for file in outputs if file.suffix.lower() not in SUFFIXES]
        if wrong:
            raise InputFault(
                [Fault(f"--output {file}", f'"{file.suffix}"', "a name ending in .html or .pdf") for file in wrong]
            )
        told = sys.stderr.isatty()

        def tell(words: str) -> None:
            if told:
                click.echo(words, err=True)

        tell("Reading, and working out what the heat did ...")
        situation = in_units(
            reviewed(what, sheet_file, record, even_without_readings=True), temperature_unit, length_unit
        )
        tell("Drawing ...")
        name = f"run-{situation.run}" if situation.run else Path(what).stem
        from logger.views.report import report_of
        from logger.views.report_files import write_report
        from logger.views.report_photos import photos_of

        told_of = report_of(situation, photos=photos_of(situation))
        for file in outputs or (Path(f"{name}.html"),):
            write_report(told_of, situation, file, paper)
            click.echo(f"Report: {file}")
