"""``soaktally acknowledge``: say that an open alert has been seen."""

from pathlib import Path

import click

from logger.commands.asking import asked, json_option, wait_option, whoever
from logger.commands.shared_options import told_plainly


@click.command()
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(readable=False, path_type=Path))
@click.argument("alert", default="all")
@click.option("--key", default="", help="Which one of that kind: a channel, a target.")
@click.option("--who", default=None, help="Who has seen it; left out, whoever is logged in.")
@json_option
@wait_option
def acknowledge(oven_file: Path, alert: str, key: str, who: str | None, as_json: bool, wait: float) -> None:
    """Say that open alerts of an oven have been seen: of one kind, such as "link lost", or all of them.

    Nobody is reminded of them any more, and nobody else is called.
    """
    with told_plainly():
        from logger.alert_rules import AlertKind
        from logger.errors import Fault, InputFault
        from logger.requests import ACKNOWLEDGE

        kinds = [str(kind) for kind in AlertKind]
        if alert not in ("all", *kinds):
            raise InputFault(Fault("acknowledge", f'"{alert}"', f'"all" or one of {", ".join(kinds)}'))
        asked(oven_file, ACKNOWLEDGE, wait, as_json, alert=alert, key=key, who=whoever() if who is None else who)
