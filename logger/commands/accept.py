"""``soaktally accept``: the verdict on a soak, as an audit asks for it."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.acceptance_options import Asked, acceptance_options, required
from logger.commands.shared_options import record_option, temperature_option, told_plainly


@click.command()
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(readable=False, path_type=Path),
    help="The run sheet.",
)
@record_option
@acceptance_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@temperature_option
def accept(
    what: str,
    sheet_file: Path | None,
    record: Path,
    at: str,
    within: str,
    for_: str,
    uniformity: str,
    calibrated_within: int,
    channels: tuple[str, ...],
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
) -> None:
    """Say whether the soak of a RUN is accepted, question by question, and why.

    Were all thermocouples in tolerance for the time asked, did they agree, did any go above it, were there gaps, was
    every alarm acknowledged, and by whom, were the calibrations in force. What cannot be shown is not accepted.
    The verdict is about the soak as recorded; it is no certificate, and says nothing of the steel.
    """
    with told_plainly():
        from logger.commands.situations import in_units, reviewed
        from logger.views.acceptance import verdict_object, verdict_of, verdict_text

        situation = in_units(reviewed(what, sheet_file, record, even_without_readings=True), temperature_unit, None)
        asked = Asked(at, within, for_, uniformity, calibrated_within, channels)
        verdict = verdict_of(situation, required(situation, asked))
        if as_json:
            click.echo(json.dumps(verdict_object(situation, verdict), ensure_ascii=False, allow_nan=False))
        else:
            click.echo(verdict_text(situation, verdict, situation.problem.sheet.display))
