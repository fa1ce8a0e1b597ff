"""``soaktally import``: an exported run back into a record."""

from pathlib import Path

import click

from logger.commands.shared_options import record_option, told_plainly


@click.command("import")
@click.argument("table", metavar="RUN.csv", type=click.Path(readable=False, path_type=Path))
@record_option
def import_(table: Path, record: Path) -> None:
    """Bring an exported run into a record; RUN.jsonl is looked for beside RUN.csv.

    The record is made if need be. It cannot be one that `soaktally serve` is writing at that moment.
    """
    with told_plainly():
        from logger.errors import InputFault
        from logger.record import RecordReader, RecordWriter
        from logger.record_export import import_run

        made = not record.exists()
        try:
            with RecordWriter(record) as writer, RecordReader(record) as reader:
                run = import_run(writer, reader, table)
        except InputFault:
            if made:
                record.unlink(missing_ok=True)
            raise
        click.echo(f"Run {run} is in {record}.")
