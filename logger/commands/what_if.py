"""``soaktally what-if``: what a run would come to."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly
from logger.commands.situations import in_units, reviewed
from logger.errors import Fault, InputFault


@click.command("what-if")
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(readable=False, path_type=Path),
    help="The run sheet; for a recorded run, another one than its own.",
)
@record_option
@click.option("--more", default="1 h", show_default=True, metavar="TIME", help="How much longer to hold.")
@click.option("--hotter", default=25.0, show_default=True, metavar="DEGREES", help="How much hotter, or cooler.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@temperature_option
@length_option
def what_if(
    what: str,
    sheet_file: Path | None,
    record: Path,
    more: str,
    hotter: float,
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Say what a run would come to: stopped now, held longer, held longer and hotter. It may be going on meanwhile."""
    with told_plainly():
        from logger.quantities import DURATION
        from logger.views.what_if_text import what_if_object, what_if_text
        from logger.what_if import STOP_NOW, Course, what_ifs

        situation = in_units(reviewed(what, sheet_file, record, anew=True), temperature_unit, length_unit)
        try:
            hold_s = DURATION.read(more).value
        except ValueError as refusal:
            raise InputFault(Fault("--more", f'"{more}"', str(refusal))) from None
        change_K = hotter / situation.problem.sheet.display.temperature_difference(1.0)
        courses = (STOP_NOW, Course(hold_s), Course(hold_s, change_K))
        answers = what_ifs(situation.problem, situation.state, courses)
        if as_json:
            click.echo(json.dumps(what_if_object(situation, answers), ensure_ascii=False, allow_nan=False))
        else:
            click.echo(what_if_text(situation, answers))
