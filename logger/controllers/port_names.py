"""Which serial ports this computer has, by which name each stays the same, and who holds one. Nothing is opened."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

BY_ID = Path("/dev/serial/by-id")
PROCESSES = Path("/proc")


@dataclass(frozen=True, slots=True)
class PresentPort:
    """A serial port that is there now.

    ``name`` is what the system calls it today, ``stable_name`` what it is called wherever it is plugged in (the same
    as ``name`` where the system has no such thing), ``identity`` what makes the adapter recognisable, empty if nothing.
    """

    name: str
    stable_name: str
    description: str
    identity: str = ""


def present_ports() -> list[PresentPort]:
    """Every serial port that is there now."""
    stable = _stable_names()
    found = []
    for port in list_ports.comports():
        identity = ""
        if port.vid is not None:
            identity = f"{port.vid:04x}:{port.pid:04x} {port.serial_number or port.location or ''}".strip()
        stable_name = stable.get(os.path.realpath(port.device), port.device)
        found.append(PresentPort(port.device, stable_name, port.description or "", identity))
    return found


def identity_of(name: str, ports: list[PresentPort]) -> str:
    """What makes the adapter of a port recognisable; empty if nothing does or the port is not among these."""
    real = os.path.realpath(name)
    return next((port.identity for port in ports if os.path.realpath(port.name) == real), "")


def name_of(identity: str, ports: list[PresentPort]) -> str:
    """Under which name an adapter is there now; empty if it is not, or if two look the same."""
    names = [port.name for port in ports if identity and port.identity == identity]
    return names[0] if len(names) == 1 else ""


def holders(name: str) -> list[str]:
    """Programs that have a port open, as "name (process number)"; only those this user may look at."""
    real = os.path.realpath(name)
    found = []
    for process in _processes():
        try:
            descriptors = list((process / "fd").iterdir())
        except OSError:
            continue  # somebody else's, or gone
        if any(_points_to(descriptor, real) for descriptor in descriptors):
            found.append(f"{_program(process)} (process {process.name})")
    return found


def _processes() -> Iterator[Path]:
    if PROCESSES.is_dir():
        yield from (each for each in PROCESSES.iterdir() if each.name.isdigit() and int(each.name) != os.getpid())


def _points_to(descriptor: Path, real: str) -> bool:
    try:
        return os.readlink(descriptor) == real
    except OSError:
        return False


def _program(process: Path) -> str:
    try:
        return (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "a program"


def _stable_names() -> dict[str, str]:
    if not BY_ID.is_dir():
        return {}
    return {os.path.realpath(link): str(link) for link in sorted(BY_ID.iterdir())}
