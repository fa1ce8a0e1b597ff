"""A file the person gave: its text, or in plain words why it cannot be read."""

from pathlib import Path

from logger.errors import Fault, InputFault

MOST_BYTES = 512 * 2**20
"""A year of one channel, second by second, is as large; a device that never ends is larger."""


def read_text(path: Path, expected: str) -> str:
    """The whole text of a file, without a byte order mark.

    Parameters
    ----------
    path : the file as the person named it
    expected : what such a file is, for the message

    Returns    text
    Raises     InputFault    missing, a folder, not allowed, empty, without end, not UTF-8
    """
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputFault(Fault(str(path), "no such file", expected)) from None
    except IsADirectoryError:
        raise InputFault(Fault(str(path), "a folder", expected)) from None
    except PermissionError:
        raise InputFault(Fault(str(path), "a file this user may not read", expected)) from None
    except (OSError, ValueError) as problem:
        raise InputFault(Fault(str(path), f"a file that cannot be read ({problem})", expected)) from None
    if len(content) > MOST_BYTES:
        raise InputFault(Fault(str(path), f"more than {MOST_BYTES // 2**20} MB, or no end", expected))
    if not content.strip():
        raise InputFault(Fault(str(path), "an empty file", expected))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = content.count(b"\n", 0, problem.start) + 1
        found = f"a byte that is not UTF-8 text (0x{content[problem.start]:02x})"
        raise InputFault(Fault(f"{path}, line {line}", found, f"{expected}, saved as UTF-8")) from None
    if "\x00" in text:
        line = text.count("\n", 0, text.index("\x00")) + 1
        raise InputFault(Fault(f"{path}, line {line}", "a zero byte", f"{expected}, saved as UTF-8"))
    return text
