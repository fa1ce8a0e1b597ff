"""``soaktally runs``: list the runs in a record."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import record_option, temperature_option, told_plainly


@click.command()
@record_option
@click.option(
    "--find", "words", metavar="WORDS", default="", help="Only runs with all these words: name, sheet, notes."
)
@click.option("--oven", metavar="NAME", help="Only runs of this oven.")
@click.option("--last", metavar="N", type=click.IntRange(min=1), help="Only the last N of them.")
@click.option("--json", "as_json", is_flag=True, help="One JSON array, for programs.")
@temperature_option
def runs(
    record: Path,
    words: str,
    oven: str | None,
    last: int | None,
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
) -> None:
    """List the runs in a record, all or those with some words in their name, sheet or notes."""
    with told_plainly():
        from logger.commands.situations import asked_units
        from logger.record import RecordReader
        from logger.sheet_file import called
        from logger.units import celsius_from_kelvin
        from logger.views.text import RunLine, runs_text

        with RecordReader(record) as reader:
            chosen = reader.found(words, oven)[-(last or 0) :]
            peaks_K = reader.peaks_K([row.id for row in chosen])
        rows = [(row, peaks_K.get(row.id)) for row in chosen]
        if as_json:
            found = [
                {
                    "run": row.id,
                    "oven": row.oven,
                    "name": row.sheet_name,
                    "started_utc_s": row.started_utc_s,
                    "ended_utc_s": row.ended_utc_s,
                    "how_ended": row.how_ended,
                    "clock": row.clock,
                    "peak_C": None if peak_K is None else celsius_from_kelvin(peak_K),
                }
                for row, peak_K in rows
            ]
            click.echo(json.dumps(found, ensure_ascii=False))
            return
        in_units = asked_units(temperature_unit, None)
        sheets = {row.id: called(row.sheet_text, row.sheet_name) for row, _ in rows}
        lines = [
            RunLine(
                run_id=row.id,
                name=sheets[row.id][0],
                oven=row.oven,
                started_utc_s=row.started_utc_s,
                duration_s=None if row.ended_utc_s is None else row.ended_utc_s - row.started_utc_s,
                peak_K=peak_K,
                outcome=row.how_ended or "not closed",
                units=in_units(sheets[row.id][1]),
            )
            for row, peak_K in rows
        ]
        if not lines and (words or oven):
            click.echo("No such run.")
            return
        click.echo(runs_text(lines, None))
