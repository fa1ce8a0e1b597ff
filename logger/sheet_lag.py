"""A canister's fitted lag into a run sheet's file: one block comes or is replaced, every other byte stays as it was."""

import os
import tempfile
import tomllib
from contextlib import suppress
from copy import deepcopy
from pathlib import Path
from typing import Any

from logger.errors import Fault, InputFault, OutsideFault
from logger.input_file import read_text
from logger.sheet_file import EXPECTED_FILE, parse_sheet
from logger.sheet_parts import CanisterLag
from logger.toml_text import KeyPath, lines_of_keys

REMARK = "# Fitted to"
"""How the remark in the block begins: the next fit puts its own in its place."""

LAG: KeyPath = ("canister", "lag")


def block_of(lag: CanisterLag, remark: str) -> str:
    """The ``[canister.lag]`` block of a run sheet.

    Parameters
    ----------
    lag : factors with their spreads [-]
    remark : what it was fitted to and how well, after "Fitted to"

    Returns    TOML text that ends with its last key
    """
    return "\n".join(
        [
            "[canister.lag]",
            f"{REMARK} {' '.join(remark.split())}",
            f"conductivity = {lag.conductivity:.3g}",
            f"exchange = {lag.exchange:.3g}",
            f"steel = {lag.steel:.3g}",
            f"conductivity_spread = {lag.conductivity_spread:.2g}",
            f"exchange_spread = {lag.exchange_spread:.2g}",
            f"steel_spread = {lag.steel_spread:.2g}",
            f"correlation = [{', '.join(f'{value:.3f}' for value in lag.correlation)}]",
        ]
    )


def with_block(name: str, text: str, block: str) -> str:
    """A run sheet's text with the block in it, in place of the lag it may have.

    Parameters
    ----------
    name : of the sheet, for messages
    text : the sheet's text; a sound sheet
    block : as `block_of` makes it

    Returns    text; every line but the block's is as before
    Raises     InputFault    a sheet that is none, or that gives its lag in a way that cannot be replaced safely
    """
    parse_sheet(text, name)
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = text.split("\n")
    keys = lines_of_keys(text)
    at = keys.get(LAG)
    if at is not None and lines[at - 1].strip().startswith("["):
        last = _last_line(lines, keys, LAG, at)
        own = [line for line in lines[at:last] if line.lstrip().startswith("#") and not line.startswith(REMARK)]
        head, *rest = block.split("\n")
        new = [*lines[: at - 1], *_ended([head, *[line.rstrip("\r") for line in own], *rest], newline), *lines[last:]]
    elif at is not None:
        raise InputFault(
            Fault(f"{name}, line {at}, canister.lag", "a lag without a table of its own", "a [canister.lag] table")
        )
    else:
        last = _last_line(lines, keys, ("canister",), keys.get(("canister",), len(lines)))
        before = [*lines[: last - 1], *_ended([lines[last - 1].rstrip("\r"), ""], newline)] if last else []
        new = [*before, *_ended(block.split("\n"), newline), *lines[last:]]
        if len(lines) == last:
            new.append("")
    changed = "\n".join(new)
    _check(name, text, changed, block)
    return changed


def write_lag(path: Path, lag: CanisterLag, remark: str) -> None:
    """Write a fitted lag into a run sheet's file, all or nothing.

    Parameters
    ----------
    path : the sheet's file
    lag, remark : as for `block_of`

    Raises     InputFault      the file cannot be read, is no run sheet, or gives its lag in a way that is not replaced
               OutsideFault    it cannot be written
    """
    text = read_text(path, EXPECTED_FILE)
    changed = with_block(str(path), text, block_of(lag, remark))
    mark = b"\xef\xbb\xbf" if path.read_bytes().startswith(b"\xef\xbb\xbf") else b""
    real = path.resolve()
    try:
        handle, beside = tempfile.mkstemp(prefix=f".{real.name}.", dir=real.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(mark + changed.encode("utf-8"))
                file.flush()
                os.fsync(file.fileno())
            os.chmod(beside, real.stat().st_mode & 0o7777)
            os.replace(beside, real)
        except BaseException:
            with suppress(OSError):
                os.unlink(beside)
            raise
    except OSError as trouble:
        raise OutsideFault(f"{path}: could not be written: {trouble.strerror}") from trouble


def _last_line(lines: list[str], keys: dict[KeyPath, int], table: KeyPath, begins: int) -> int:
    """Number of the last line of a table that begins on a line, without what is remarked after its last key."""
    others = [line for path, line in keys.items() if line > begins and path[: len(table)] != table]
    inner = [
        line
        for path, line in keys.items()
        if line > begins and path[: len(table)] == table and lines[line - 1].lstrip().startswith("[")
    ]
    last = min([*others, *inner], default=len(lines) + 1) - 1
    while last > begins and (not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")):
        last -= 1
    return last


def _ended(lines: list[str], newline: str) -> list[str]:
    """Lines as they stand between the line feeds of a text with this line ending."""
    return [line + newline[:-1] for line in lines]


def _check(name: str, text: str, changed: str, block: str) -> None:
    """That nothing but the lag is different: a mistake here would cost a sheet."""
    wanted: dict[str, Any] = deepcopy(tomllib.loads(text))
    wanted.setdefault("canister", {})["lag"] = tomllib.loads(block)["canister"]["lag"]
    try:
        same = tomllib.loads(changed) == wanted
        parse_sheet(changed, name)
    except (tomllib.TOMLDecodeError, InputFault):
        same = False
    if not same:
        found = "a canister written in a way the lag cannot be put into"
        raise InputFault(Fault(f"{name}, canister", found, f"a [canister] table; the block to add:\n{block}"))
