"""``soaktally page-password``: set a password of the live page."""

from pathlib import Path

import click

from logger.commands.shared_options import told_plainly


@click.command("page-password")
@click.argument("file", type=click.Path(readable=False, path_type=Path))
@click.option("--guest", is_flag=True, help="The password of guests, who may look and do nothing.")
@click.password_option("--password", prompt="New password", help="Left out, it is asked for, which is safer.")
def page_password(file: Path, guest: bool, password: str) -> None:
    """Set the password that opens the live page to others than this machine. Only its hash goes into FILE.

    Everybody who is signed in has to sign in again. Then: soaktally serve OVEN.toml --page 0.0.0.0:8427
    --page-password FILE
    """
    with told_plainly():
        from logger.page.access import Passwords, Role, read_passwords, write_passwords

        before = read_passwords(file) if file.exists() else Passwords()
        role = Role.GUEST if guest else Role.OWNER
        write_passwords(file, before.with_password(role, password))
        click.echo(f"The {role}'s password is set in {file}.")
