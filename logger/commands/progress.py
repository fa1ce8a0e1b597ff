"""A line that shows how far long work is: rewritten in place on a terminal, told now and then elsewhere."""

import sys
import time
from math import isfinite, nan
from types import TracebackType

import click

TOLD_EVERY_S = 10.0
WIDTH = 78


class ProgressLine:
    """Shows what is being done on standard error, so that standard output stays what it is for.

    Use it as a context; `tell` may be called as often as one likes, from one thread.
    """

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet
        self._on_terminal = sys.stderr.isatty()
        self._told_s = time.monotonic()
        self._shown = False

    def __enter__(self) -> "ProgressLine":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.clear()

    def tell(self, what: str, fraction: float) -> None:
        """Show what is being done and how far it is, 0 to 1 (NaN: not known)."""
        if self._quiet:
            return
        words = f"{100.0 * fraction:3.0f} %  {what}" if isfinite(fraction) else f"       {what}"
        if self._on_terminal:
            click.echo(f"\r{words[:WIDTH]:<{WIDTH}}", nl=False, err=True)
            self._shown = True
        elif time.monotonic() - self._told_s >= TOLD_EVERY_S:
            self._told_s = time.monotonic()
            click.echo(words.strip(), err=True)

    def clear(self) -> None:
        """Take the line away."""
        if self._shown:
            click.echo(f"\r{'':<{WIDTH}}\r", nl=False, err=True)
            self._shown = False


def line_of_command() -> ProgressLine:
    """The one line of progress of the command that is running."""
    line: ProgressLine = click.get_current_context().meta.setdefault("soaktally.progress", ProgressLine())
    return line


def tell(what: str) -> None:
    """Show what is being done, where nobody can say how far it is."""
    line_of_command().tell(what, nan)


def done_telling() -> None:
    """Take the line away before something else is shown."""
    line_of_command().clear()
