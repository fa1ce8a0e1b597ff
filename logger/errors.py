"""Every error this project raises on purpose, by whose fault it is.

SoaktallyError
├── InputFault           what the user gave: one or more `Fault` lines; the command exits with 2
│   └── OutOfRange       a value outside what a formula or a model covers: value and limits named
├── OutsideFault         the outside world (port, disk, network): retried, then alerted
└── (anything else is our own mistake and shows a traceback)
"""

from collections.abc import Iterable
from dataclasses import dataclass


class SoaktallyError(Exception):
    """Anything soaktally raises on purpose."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One mistake in what the user gave: where it is, what was found, what is expected."""

    where: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.where}: found {self.found}, expected {self.expected}"


class InputFault(SoaktallyError):
    """The user's input cannot be used; carries every fault that was found, not just the first."""

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class OutOfRange(InputFault):
    """A value lies outside the range a formula or model was made for."""

    def __init__(self, what: str, value: float, low: float, high: float, unit: str, source: str = "") -> None:
        self.what, self.value, self.low, self.high, self.unit = what, value, low, high, unit
        because = f" ({source})" if source else ""
        of_unit = f" {unit}" if unit else ""
        super().__init__(Fault(what, f"{value:g}{of_unit}", f"{low:g} to {high:g}{of_unit}{because}"))


class OutsideFault(SoaktallyError):
    """The outside world failed: a port, a disk, a network. Worth retrying, then worth an alert."""
