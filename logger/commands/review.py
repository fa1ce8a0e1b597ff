"""``soaktally review``: what a run did to the steel."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly
from logger.commands.situations import in_units, reviewed, shown


@click.command()
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(readable=False, path_type=Path),
    help="The run sheet; for a recorded run, another one than its own.",
)
@click.option("--corrected", is_flag=True, help="By what coupons have taught since, not as it was watched.")
@click.option("--anew", is_flag=True, help="Work it out from its readings, even where what it came to was kept.")
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs; no picture.")
@click.option(
    "--picture", metavar="FILE.png", type=click.Path(readable=False, path_type=Path), help="Where the picture goes."
)
@temperature_option
@length_option
def review(
    what: str,
    sheet_file: Path | None,
    corrected: bool,
    anew: bool,
    record: Path,
    as_json: bool,
    picture: Path | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Say what a run did to the steel: a recorded RUN ("last" is the newest) or a TRACE.csv with its sheet."""
    with told_plainly():
        situation = reviewed(what, sheet_file, record, as_learned_since=corrected, anew=anew)
        name = f"run-{situation.run}" if situation.run else Path(what).stem
        if as_json:
            from logger.views.contract import review_object

            click.echo(json.dumps(review_object(situation), ensure_ascii=False, allow_nan=False))
            if picture is None:
                return
        shown(in_units(situation, temperature_unit, length_unit), picture or Path(f"{name}.png"), quiet=as_json)
