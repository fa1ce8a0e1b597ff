"""``soaktally service``: have the computer keep ovens watched, from every boot on."""

import getpass
import os
import shutil
import subprocess
import sys
from pathlib import Path

import click

from logger.commands.shared_options import page_options, page_settings, told_plainly


@click.command()
@click.argument(
    "oven_files", metavar="OVEN.toml...", nargs=-1, required=True, type=click.Path(readable=False, path_type=Path)
)
@click.option("--as", "user", metavar="USER", help="Who it runs as, when installed by root; left out, who called sudo.")
@click.option("--group", default="dialout", show_default=True, help="The group that may use serial ports.")
@click.option(
    "--secrets",
    "secrets_file",
    metavar="FILE",
    type=click.Path(readable=False, path_type=Path),
    help="NAME=value lines for settings that name an environment variable; may be missing.",
)
@page_options(None)
@click.option("--print", "only_print", is_flag=True, help="Print the unit file and change nothing.")
def service(
    oven_files: tuple[Path, ...],
    user: str | None,
    group: str,
    secrets_file: Path | None,
    page_address: str | None,
    page_names: tuple[str, ...],
    password_file: Path | None,
    no_page: bool,
    only_print: bool,
) -> None:
    """Have systemd watch these ovens from every boot on, start the watch again when it fails, and watch over it.

    With sudo it becomes a service of the system, which is what an oven deserves; without, one of your own. Every step
    is printed. Install again after moving files; `systemctl disable --now soaktally` ends it.
    """
    with told_plainly():
        from logger.errors import Fault, InputFault, OutsideFault
        from logger.oven_file import read_oven
        from logger.service_unit import ServiceUnit, steps, unit_file

        files = [file.resolve() for file in oven_files]
        ovens = [read_oven(file) for file in files]
        page_settings(page_address, page_names, password_file, no_page)
        page: list[str] = ["--no-page"] if no_page else []
        page += ["--page", page_address] if page_address else []
        page += [word for name in page_names for word in ("--page-name", name)]
        page += ["--page-password", str(password_file.resolve())] if password_file else []
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        runs_as = (user or os.environ.get("SUDO_USER") or getpass.getuser()) if root else ""
        if user and not root:
            raise InputFault(Fault("--as", f'"{user}" without the right to install for the system', "sudo before it"))
        home = Path.home()
        unit = ServiceUnit(
            ovens=", ".join(oven.name for oven in ovens),
            command=(*program(), "serve", *page, *map(str, files)),
            folder=files[0].parent,
            record_folders=tuple(oven.record.resolve().parent for oven in ovens),
            user=runs_as,
            port_group=group,
            secrets_file=secrets_file.resolve()
            if secrets_file
            else Path("/etc/soaktally.env")
            if root
            else home / ".config/soaktally.env",
        )
        text, place = unit.text(), unit_file(runs_as, home)
        if only_print:
            click.echo(text, nl=False)
            return
        if shutil.which("systemctl") is None:
            raise OutsideFault(
                "this system has no systemctl: print the unit with --print, or start `soaktally serve` yourself"
            )
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text, encoding="utf-8")
        except OSError as error:
            raise OutsideFault(f"{place}: cannot be written: {(error.strerror or str(error)).lower()}") from error
        click.echo(f"Wrote {place}")
        for words, what_for in steps(runs_as):
            click.echo(f"{' '.join(words)}   ({what_for})")
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            if done.returncode:
                said = (done.stderr or done.stdout).strip().splitlines()
                raise OutsideFault(f"{' '.join(words)}: {said[-1] if said else f'exit code {done.returncode}'}")
        manager = "systemctl" if runs_as else "systemctl --user"
        click.echo(f"Watching {unit.ovens}. See it with: {manager} status soaktally")


def program() -> tuple[str, ...]:
    """How to start soaktally by its full path, whatever folder it runs in."""
    script = Path(sys.executable).with_name("soaktally")
    return (str(script),) if script.exists() else (sys.executable, "-m", "logger")
