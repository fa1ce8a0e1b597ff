"""``soaktally evidence``: a recorded run as plain files with checksums, to keep or to hand over."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.acceptance_options import Asked, acceptance_options, required
from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly


@click.command()
@click.argument("what", metavar="RUN")
@record_option
@click.option(
    "-o",
    "--output",
    "target",
    metavar="FOLDER|FILE.zip",
    type=click.Path(readable=False, path_type=Path),
    help="A new folder, or one file; usual: evidence-RUN here.",
)
@click.option("--check", "checks", is_flag=True, help="Instead, compare the folder or zip named with its checksums.")
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True, help="Of the PDF.")
@acceptance_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@temperature_option
@length_option
def evidence(
    what: str,
    record: Path,
    target: Path | None,
    checks: bool,
    paper: Literal["A4", "Letter"],
    at: str,
    within: str,
    for_: str,
    uniformity: str,
    calibrated_within: int,
    channels: tuple[str, ...],
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Write the evidence of a RUN: readings as CSV, everything worked out as JSON, a one-page PDF, the verdict on the
    soak, and a SHA-256 checksum of each file. With --check, RUN is a folder or zip of evidence to compare with its
    checksums."""
    with told_plainly():
        from logger.evidence import check_evidence, write_evidence

        if checks:
            names = check_evidence(Path(what))
            click.echo(json.dumps({"unchanged": list(names)}) if as_json else f"All {len(names)} files are unchanged.")
            return
        from logger.commands.situations import in_units
        from logger.review import review_run

        situation = in_units(
            review_run(record, what, even_without_readings=True, anew=True), temperature_unit, length_unit
        )
        asked = Asked(at, within, for_, uniformity, calibrated_within, channels)
        place = target or Path(f"evidence-{situation.run}")
        names = write_evidence(record, situation, required(situation, asked), place, paper)
        if as_json:
            click.echo(json.dumps({"evidence": str(place), "files": list(names)}, ensure_ascii=False))
        else:
            click.echo(f"Evidence: {place}, {len(names)} files")
