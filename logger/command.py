"""The ``soaktally`` command: arguments in, exit code out."""

import click


@click.group()
def main() -> None:
    """Read an oven's thermocouples, keep the history, say what it did to the steel."""
