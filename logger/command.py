"""The ``soaktally`` command: which commands there are. Each lives in a module of its own in ``logger/commands/``.

Exit codes: 0 done, 2 the input cannot be used (one line per fault on standard error), 1 the outside world failed.
A command's module is imported when it is asked for, and imports everything heavy inside its function, so that each
starts as soon as it can.
"""

from importlib import import_module

import click

COMMANDS = {
    "find": "find",
    "check": "check",
    "watch": "watch",
    "serve": "serve",
    "start": "start",
    "stop": "stop",
    "acknowledge": "acknowledge",
    "mark": "mark",
    "note": "note",
    "alerts": "alerts",
    "alert-test": "alert_test",
    "export": "export",
    "import": "import_",
    "backup": "backup",
    "service": "service",
    "runs": "runs",
    "review": "review",
    "report": "report",
    "compare": "compare",
    "trend": "trend",
    "season": "season",
    "accept": "accept",
    "evidence": "evidence",
    "translate": "translate",
    "what-if": "what_if",
    "plan": "plan",
    "fit-lag": "fit_lag",
    "piece": "piece",
    "correct": "correct",
    "page-password": "page_password",
    "demo": "demo",
}
"""Each command's module in ``logger/commands/``, which has the command under the same name."""


class _Commands(click.Group):
    """Finds a command's module only when it is needed; lists the commands in the order of use, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        name = COMMANDS[cmd_name]
        command = getattr(import_module(f"logger.commands.{name}"), name)
        assert isinstance(command, click.Command)
        return command


def _tell_version(context: click.Context, option: click.Parameter, asked: bool) -> None:
    if not asked:
        return
    from logger.versions import installed_version

    click.echo(f"soaktally {installed_version('soaktally')}")
    context.exit()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_tell_version,
    help="Show the version and exit.",
)
def main() -> None:
    """Read an oven's thermocouples, keep the history, say what it did to the steel.

    Read-only: soaktally cannot switch an oven off and is no safety device.
    """
