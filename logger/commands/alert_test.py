"""``soaktally alert-test``: send a test message through every notification channel."""

import json
import sys
from pathlib import Path

import click

from logger.commands.asking import settings_of
from logger.commands.shared_options import told_plainly


@click.command("alert-test")
@click.argument("oven_file", metavar="OVEN.toml", type=click.Path(readable=False, path_type=Path))
@click.option("--channel", metavar="NAME", help="Only this channel.")
@click.option("--json", "as_json", is_flag=True, help="One JSON array, for programs.")
def alert_test(oven_file: Path, channel: str | None, as_json: bool) -> None:
    """Send a test message through every notification channel of an oven, at once, and say what became of it.

    Exit code 1 where a channel did not take it. That a message was taken does not yet mean that it woke anyone: look.
    """
    with told_plainly():
        from logger.notify import alert_test as tried

        trials = tried(settings_of(oven_file).notify, channel)
        if as_json:
            found = [
                {
                    "channel": trial.channel,
                    "kind": trial.kind,
                    "delivered": trial.delivered,
                    "reason": trial.reason,
                    "duration_s": round(trial.duration_s, 3),
                }
                for trial in trials
            ]
            click.echo(json.dumps(found, ensure_ascii=False))
        else:
            width = max(len(trial.channel) for trial in trials)
            for trial in trials:
                outcome = "taken" if trial.delivered else f"not taken: {trial.reason}"
                click.echo(f"{trial.channel:{width}}  {trial.kind:8}  {outcome} ({trial.duration_s:.1f} s)")
        if not all(trial.delivered for trial in trials):
            sys.exit(1)
