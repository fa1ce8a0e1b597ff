"""``soaktally export``: a run as plain files."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import record_option, told_plainly


@click.command()
@click.argument("run")
@record_option
@click.option(
    "--folder",
    default=".",
    show_default=True,
    type=click.Path(readable=False, path_type=Path),
    help="Where the files go.",
)
@click.option(
    "--temperature", "unit", type=click.Choice(["C", "F"]), default="C", show_default=True, help="Of the table."
)
@click.option("--decimal-comma", is_flag=True, help="Numbers with a comma, columns parted by semicolons.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object that names the files.")
def export(run: str, record: Path, folder: Path, unit: Literal["C", "F"], decimal_comma: bool, as_json: bool) -> None:
    """Write a RUN ("last" is the newest) as RUN.csv, for spreadsheets and `soaktally review`, and RUN.jsonl.

    The table has units in its headers and both UTC and local time; the other file holds the sheet, alerts, events and
    notes. The two together go back into a record with `soaktally import`, to the last digit.
    """
    with told_plainly():
        from logger.record import RecordReader
        from logger.record_export import export_run

        with RecordReader(record) as reader:
            written = export_run(reader, run, folder, unit=unit, decimal_comma=decimal_comma)
        if as_json:
            click.echo(json.dumps({"table": str(written.table), "rest": str(written.rest)}, ensure_ascii=False))
        else:
            click.echo(f"Wrote {written.table} and {written.rest}.")
