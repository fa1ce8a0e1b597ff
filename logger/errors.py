"""Every error this project raises on purpose, by whose fault it is.

SoaktallyError
├── InputFault           what the user gave: one or more `Fault` lines; the command exits with 2
│   └── OutOfRange       a value outside what a formula or a model covers: value and limits named
├── OutsideFault         the outside world (port, disk, network): retried, then alerted
└── (anything else is our own mistake and shows a traceback)
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from logger.units import DisplayUnits


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

    def said(self, units: DisplayUnits) -> "Fault":
        """The same fault to somebody who reads these units."""
        return self


@dataclass(frozen=True, slots=True)
class RangeFault(Fault):
    """A value outside a range, kept in SI: ``value``, ``low`` and ``high`` in ``unit`` as `DisplayUnits.said` has it.

    ``found`` and ``expected`` say it in Celsius and millimetres; `said` in anybody's units.
    """

    value: float
    low: float
    high: float
    unit: str
    source: str

    @staticmethod
    def of(
        where: str, value: float, low: float, high: float, unit: str, source: str, units: DisplayUnits | None = None
    ) -> "RangeFault":
        """The fault in words of these units.

        Parameters
        ----------
        where : what the value is of
        value : what was found [``unit``]
        low : the least it may be [``unit``]
        high : the most it may be [``unit``]
        unit : as in `DisplayUnits.said`
        source : why these are the limits; may be empty
        units : of the person; None: Celsius and millimetres
        """
        units = units or DisplayUnits()
        because = f" ({source})" if source else ""
        span = units.said_span(low, high, unit) + because
        return RangeFault(where, units.said(value, unit), span, value, low, high, unit, source)

    def said(self, units: DisplayUnits) -> "RangeFault":
        """The same fault to somebody who reads these units."""
        return RangeFault.of(self.where, self.value, self.low, self.high, self.unit, self.source, units)


class InputFault(SoaktallyError):
    """The user's input cannot be used; carries every fault that was found, not just the first."""

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)

    def said(self, units: DisplayUnits) -> str:
        """Every fault, a line each, to somebody who reads these units."""
        return "\n".join(str(fault.said(units)) for fault in self.faults)


class OutOfRange(InputFault):
    """A value lies outside the range a formula or model was made for; value and limits in ``unit``, SI.

    ``unit`` is one of `DisplayUnits.said`, so that whoever reads of it reads the person's own unit.
    """

    def __init__(self, what: str, value: float, low: float, high: float, unit: str, source: str = "") -> None:
        self.what, self.value, self.low, self.high, self.unit = what, value, low, high, unit
        super().__init__(RangeFault.of(what, value, low, high, unit, source))


@contextmanager
def said_in(units: DisplayUnits) -> Iterator[None]:
    """Whatever is refused meanwhile speaks these units, as long as nobody asks for others."""
    try:
        yield
    except InputFault as refusal:
        refusal.faults = tuple(fault.said(units) for fault in refusal.faults)
        raise


class OutsideFault(SoaktallyError):
    """The outside world failed: a port, a disk, a network. Worth retrying, then worth an alert."""
