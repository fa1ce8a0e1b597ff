"""The stations described to pymodbus, whose server understands the requests and builds the replies."""

import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from sim.errors import BadInput
from sim.heat import Heat
from sim.registers import STATUS_BITS, RegisterTable, built_in_table
from sim.wire import WireFormat

_FRAMERS = {"rtu": FramerType.RTU, "ascii": FramerType.ASCII, "tcp": FramerType.SOCKET}
_READS = (1, 2, 3, 4)


@dataclass
class Station:
    """One controller on the bus: its unit address, the heat behind it and its registers."""

    unit: int
    heat: Heat
    table: RegisterTable = field(default_factory=built_in_table)

    def __post_init__(self) -> None:
        if not 1 <= self.unit <= 247:
            raise BadInput("station: unit address", self.unit, "1 to 247")


def device(station: Station, lock: threading.RLock) -> SimDevice:
    """The station as pymodbus's simulator wants it: four blocks (coils, discrete inputs, holding and input registers).

    The blocks are filled from the heat at the moment they are asked for; `lock` guards the heat. A function code
    that the table does not serve, and every write, is refused as an illegal function.
    """
    blocks: dict[int, list[SimData]] = {}
    for function, by_address in station.table.by_function.items():
        starts = {register.address: register.words for register in by_address.values()}
        blocks[function] = [
            SimData(address, values=[0] * words, datatype=DataType.REGISTERS)
            for address, words in sorted(starts.items())
        ]
        if not blocks[function]:
            # Every address is there, so that what is refused is the function and not the address.
            blocks[function] = [SimData(0, count=65536, values=0, datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=[False] * (16 if station.table.bits else 65536), datatype=DataType.BITS)]

    async def fill(
        function: int, start: int, address: int, count: int, present: list[int], _to_write: Any
    ) -> ExcCodes | None:
        if function not in _READS:
            return ExcCodes.ILLEGAL_FUNCTION
        if function in (1, 2):
            if not station.table.bits:
                return ExcCodes.ILLEGAL_FUNCTION
            with lock:
                present[0] = station.heat.display().status & ((1 << STATUS_BITS) - 1)
            return None
        if not station.table.by_function[function]:
            return ExcCodes.ILLEGAL_FUNCTION
        with lock:
            words = station.table.words(function, station.heat.display())
        for at in range(address, address + count):
            present[at - start] = words[at]
        return None

    return SimDevice(station.unit, (list(bits), list(bits), blocks[3], blocks[4]), action=fill)


def modbus_server(stations: Iterable[Station], wire: WireFormat, lock: threading.RLock) -> ModbusTcpServer:
    """pymodbus's server for these stations. It is never told to listen: whole frames are handed to its connections."""
    return ModbusTcpServer([device(station, lock) for station in stations], framer=_FRAMERS[wire])
