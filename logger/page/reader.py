"""Who reads the page: in which units and in which time zone."""

from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any, Final, get_args
from zoneinfo import ZoneInfo

from starlette.requests import HTTPConnection

from logger.errors import Fault, InputFault
from logger.situation import Situation
from logger.units import DisplayUnits, LengthUnit, TemperatureUnit

UNITS_COOKIE: Final = "soaktally-units"
ZONE_COOKIE: Final = "soaktally-zone"
LONGEST_ZONE: Final = 64


@dataclass(frozen=True, slots=True)
class Reader:
    """Units to read in (None: as the run sheet was written) and the reader's own zone (None: the oven's machine's)."""

    temperature: TemperatureUnit | None = None
    length: LengthUnit | None = None
    zone: tzinfo | None = None
    zone_name: str = ""

    def units(self, written: DisplayUnits) -> DisplayUnits:
        """The units to use for a run whose sheet was written in some."""
        return DisplayUnits(self.temperature or written.temperature, self.length or written.length)

    def of(self, situation: Situation) -> Situation:
        """The same situation in this reader's units."""
        sheet = situation.problem.sheet
        units = self.units(sheet.display)
        if units == sheet.display:
            return situation
        return replace(situation, problem=replace(situation.problem, sheet=replace(sheet, display=units)))


def reader_of(request: HTTPConnection) -> Reader:
    """The reader of a request: what its address asks for, else what its cookies remember.

    Raises   InputFault   a unit that is none
    """
    kept_temperature, _, kept_length = request.cookies.get(UNITS_COOKIE, "").partition("-")
    temperature: Any = request.query_params.get("temperature") or _one_of(kept_temperature, TemperatureUnit)
    length: Any = request.query_params.get("length") or _one_of(kept_length, LengthUnit)
    faults = [
        Fault(name, f'"{value[:20]}"', " or ".join(get_args(kind)))
        for name, value, kind in (("temperature", temperature, TemperatureUnit), ("length", length, LengthUnit))
        if value and value not in get_args(kind)
    ]
    if faults:
        raise InputFault(faults)
    zone_name = request.query_params.get("zone") or request.cookies.get(ZONE_COOKIE, "").replace("%2F", "/")
    zone = _zone(zone_name)
    return Reader(temperature, length, zone, zone_name if zone is not None else "")


def _one_of(value: str, kind: Any) -> str | None:
    return value if value in get_args(kind) else None


def _zone(name: str) -> tzinfo | None:
    """The zone of a name as browsers give it; one that is not known here is passed over."""
    if not name or len(name) > LONGEST_ZONE:
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return None
