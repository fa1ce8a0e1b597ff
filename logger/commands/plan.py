"""``soaktally plan``: which heat makes of a piece what is wanted."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly
from logger.errors import Fault, InputFault, OutsideFault

if TYPE_CHECKING:
    from logger.plan_map import Tell


@click.command()
@click.argument("sheet_file", metavar="SHEET.toml", type=click.Path(path_type=Path))
@click.option(
    "--wishes",
    "wish_file",
    metavar="FILE.toml",
    type=click.Path(path_type=Path),
    help="Wishes in place of the sheet's [plan].",
)
@click.option("--picture", metavar="FILE.png", type=click.Path(path_type=Path), help="Where the map goes.")
@click.option(
    "--table", "table_file", metavar="FILE.csv", type=click.Path(path_type=Path), help="Write the program as CSV."
)
@click.option(
    "--write-sheet", metavar="FILE.toml", type=click.Path(path_type=Path), help="Write the run sheet for watch."
)
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs; no picture.")
@temperature_option
@length_option
def plan(
    sheet_file: Path,
    wish_file: Path | None,
    picture: Path | None,
    table_file: Path | None,
    write_sheet: Path | None,
    record: Path,
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Find the programs that bring a piece to what its SHEET wishes for: how hot, how long, when the pack goes.

    What coupons in the record have taught of the sheet's recipe and iron is used, and said.
    """
    with told_plainly():
        from logger.correction_used import corrected_for_new_run
        from logger.input_file import read_text
        from logger.plan import plan as planned
        from logger.plan import wishes_of
        from logger.plan_sheet import program_csv, sheet_text
        from logger.sheet_file import parse_sheet, with_wishes
        from logger.views.plan_text import plan_object, plan_text

        _check_outputs(write_sheet, table_file)
        text = read_text(sheet_file, "a run sheet in TOML")
        sheet = parse_sheet(text, str(sheet_file))
        if wish_file is not None:
            sheet = with_wishes(sheet, wish_file)
        shown = sheet.display
        shown = replace(shown, temperature=temperature_unit or shown.temperature, length=length_unit or shown.length)
        sheet = replace(sheet, display=shown)
        wishes = wishes_of(sheet)
        sheet = corrected_for_new_run(record, sheet)
        with _progress(quiet=as_json) as tell:
            found = planned(sheet, wishes, tell=tell)
        name = sheet.name or sheet_file.stem
        click.echo(
            json.dumps(plan_object(found, name), ensure_ascii=False, allow_nan=False)
            if as_json
            else plan_text(found, name)
        )
        if found.programs and table_file is not None:
            _write(table_file, program_csv(found.programs[0], shown), as_json)
        if found.programs and write_sheet is not None:
            _write(write_sheet, sheet_text(found, found.programs[0], text, str(write_sheet)), as_json)
        if picture is None and as_json:
            return
        from logger.views.plan_picture import save_plan_png

        drawn = picture or Path(f"{sheet_file.stem}-plan.png")
        try:
            save_plan_png(found, name, drawn)
        except OSError as error:
            raise OutsideFault(f"{drawn}: the picture could not be written: {error.strerror}") from error
        click.echo(f"\nPicture: {drawn}", err=as_json)


def _check_outputs(write_sheet: Path | None, table_file: Path | None) -> None:
    """Refuse now what could only be refused when all is worked out: a sheet in place of another, a folder."""
    if write_sheet is not None and write_sheet.exists():
        raise InputFault(Fault(f"--write-sheet {write_sheet}", "there already", "the name of a new file"))
    if table_file is not None and table_file.is_dir():
        raise InputFault(Fault(f"--table {table_file}", "a folder", "the name of a file"))


def _write(path: Path, text: str, quiet: bool) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise OutsideFault(f"{path}: could not be written: {error.strerror}") from error
    click.echo(f"Written: {path}", err=quiet)


@contextmanager
def _progress(quiet: bool) -> Iterator["Tell"]:
    """A bar on standard error while the heats are worked out; nothing where nobody looks."""
    if quiet or not sys.stderr.isatty():
        yield _nothing
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    with Progress(TextColumn("working out heats"), BarColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)

        def tell(share: float) -> None:
            bar.update(task, completed=share)

        yield tell


def _nothing(share: float) -> None:
    """Tell nobody."""
