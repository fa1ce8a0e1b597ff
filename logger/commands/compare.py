"""``soaktally compare``: runs side by side, or one run with other eyes."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly


@click.command()
@click.argument("runs", metavar="RUN[:SHEET.toml] RUN[:SHEET.toml] ...", nargs=-1, required=True)
@record_option
@click.option(
    "--align",
    type=click.Choice(["start", "soak", "mark"]),
    default="start",
    show_default=True,
    help="The moment that is laid over the same moment of the others.",
)
@click.option("--mark", metavar="WORDS", default="", help="For --align mark: words of a note or an alert.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@click.option(
    "-o",
    "--output",
    "outputs",
    metavar="FILE.html|FILE.png",
    multiple=True,
    type=click.Path(readable=False, path_type=Path),
    help="Where the page or the picture goes; may be given twice.",
)
@temperature_option
@length_option
def compare(
    runs: tuple[str, ...],
    record: Path,
    align: Literal["start", "soak", "mark"],
    mark: str,
    as_json: bool,
    outputs: tuple[Path, ...],
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Put runs side by side: what came of them, and how they differ from the first.

    A run with a sheet after a colon is looked at with that sheet instead of its own: the same run twice, once with
    another pack, thickness or correction, shows what the difference makes. The record is only read. A trace is named
    with its sheet: TRACE.csv:SHEET.toml.
    """
    with told_plainly():
        from logger.commands.situations import check_there, in_units, reviewed, with_sheet
        from logger.errors import Fault, InputFault, OutsideFault
        from logger.views.comparison import compared, comparison_object, comparison_text

        if align == "mark" and not mark:
            raise InputFault(Fault("--mark", "nothing", "words of a note or an alert, for --align mark"))
        wrong = [file for file in outputs if file.suffix.lower() not in (".html", ".png")]
        if wrong:
            raise InputFault(
                [Fault(f"--output {one}", f'"{one.suffix}"', "a name ending in .html or .png") for one in wrong]
            )
        meant = [with_sheet(named) for named in runs]
        for what, sheet_file in meant:
            check_there(what, sheet_file, record)
        situations = []
        for what, sheet_file in meant:
            called = what if sheet_file is None else f"{what} with {sheet_file.name}"
            situations.append((called, in_units(reviewed(what, sheet_file, record), temperature_unit, length_unit)))
        comparison = compared(situations, align, mark)
        if as_json:
            click.echo(json.dumps(comparison_object(comparison), ensure_ascii=False, allow_nan=False))
        else:
            click.echo(comparison_text(comparison))
        for file in outputs:
            if file.suffix.lower() == ".png":
                from logger.views.comparison_picture import draw_comparison
                from logger.views.plots import png

                content = png(draw_comparison(comparison))
            else:
                from logger.views.comparison_html import comparison_html

                content = comparison_html(comparison).encode("utf-8")
            try:
                file.write_bytes(content)
            except OSError as error:
                raise OutsideFault(f"{file}: could not be written: {error.strerror}") from error
            click.echo(f"\nComparison: {file}", err=as_json)
