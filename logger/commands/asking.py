"""Asking the process that watches, from a command: the oven file says which record the question goes into."""

import getpass
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from logger.oven_file import OvenSettings

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
wait_option = click.option(
    "--wait", default=15.0, show_default=True, metavar="SECONDS", help="How long to wait for the answer."
)


def asked(oven_file: Path, kind: str, wait_s: float, as_json: bool, **detail: Any) -> None:
    """Ask, wait for the answer, tell it; exit code 2 where it was refused and 1 where nobody answers."""
    from logger.errors import OutsideFault
    from logger.requests import ask, wait_for_answer

    oven = settings_of(oven_file)
    request = ask(oven.record, kind, oven=oven.name, **detail)
    answer = wait_for_answer(oven.record, request, wait_s)
    if answer is None:
        raise OutsideFault(
            f"{oven.name}: nobody answers; is `soaktally serve {oven_file}` (or `soaktally watch`) running? "
            "What was asked is forgotten after a minute."
        )
    if as_json:
        click.echo(json.dumps({"done": answer.done, "text": answer.text, "run": answer.run}, ensure_ascii=False))
    else:
        click.echo(answer.text, err=not answer.done)
    if not answer.done:
        sys.exit(2)


def settings_of(oven_file: Path) -> "OvenSettings":
    """What an oven file says. Raises InputFault."""
    from logger.oven_file import read_oven

    return read_oven(oven_file)


def whoever() -> str:
    """Who is asking, as the computer knows them; empty where it does not."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""
