"""``soaktally alerts``: the alerts of a run, and who was told of them."""

import json
from pathlib import Path

import click

from logger.commands.shared_options import record_option, told_plainly


@click.command()
@click.argument("run", default="last")
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON array, for programs.")
def alerts(run: str, record: Path, as_json: bool) -> None:
    """List the alerts of a RUN ("last" is the newest, "none": outside any run), and what became of each message."""
    with told_plainly():
        from logger.record import RecordReader
        from logger.views.alert_text import alert_list, alert_object

        with RecordReader(record) as reader:
            rows = reader.alerts() if run == "none" else reader.alerts(run=reader.run(run).id)
            rows = tuple(row for row in rows if run != "none" or row.run is None)
            deliveries = {row.id: reader.deliveries(row.id) for row in rows}
        if as_json:
            found = [alert_object(row, deliveries[row.id]) for row in rows]
            click.echo(json.dumps(found, ensure_ascii=False))
        else:
            click.echo(alert_list([(row, deliveries[row.id]) for row in rows]))
