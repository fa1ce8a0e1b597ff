"""Registers over a serial line: minimalmodbus asks, `SerialLine` decides which bytes are the answer."""

from dataclasses import dataclass

import minimalmodbus

from logger.controllers.line import SerialLine
from logger.controllers.link_faults import BadAnswer, LinkFault, LinkLost, NoAnswer, Refused
from logger.controllers.modbus_frames import BIT_FUNCTION_CODES
from logger.controllers.settings import ControllerSettings, Framing

PADDED_SILENCES_LEARNT = 2
"""So many longer questions without an answer, and none ever answered, mean: only exact lengths here (our choice)."""

_MODES = {Framing.RTU: minimalmodbus.MODE_RTU, Framing.ASCII: minimalmodbus.MODE_ASCII}


@dataclass
class _Padding:
    """What was learnt of one question: whether a longer one is answered too."""

    forbidden: bool = False
    answered: bool = False
    silences: int = 0


class SerialRegisters:
    """Reads registers of the controllers on one serial line (a `RegisterReader`)."""

    def __init__(self, line: SerialLine) -> None:
        self.line = line
        self._instruments: dict[int, minimalmodbus.Instrument] = {}
        self._paddings: dict[tuple[int, int, int], _Padding] = {}

    def ready(self, controller: ControllerSettings) -> bool:
        """Whether the controller may be asked now."""
        return self.line.ready(controller.unit_address)

    def read(self, controller: ControllerSettings, function_code: int, address: int, count: int) -> list[int]:
        """`count` registers, or bits, from an address (from 0).

        A question is made longer where that tells a late answer apart; if the controller will not have that, the exact
        question follows at once and the place is remembered.

        Raises   LinkFault    no trustworthy answer
        """
        padding = self._paddings.setdefault((controller.unit_address, function_code, address), _Padding())
        asked = count
        if not (controller.exact_reads or padding.forbidden):
            asked = self.line.next_count(controller.unit_address, function_code, count)
        if asked == count:
            return self._ask(controller, function_code, address, count)
        try:
            words = self._ask(controller, function_code, address, asked)
        except Refused:
            words = self._ask(controller, function_code, address, count)
            padding.forbidden = True
        except NoAnswer:
            padding.silences += 1
            padding.forbidden = not padding.answered and padding.silences >= PADDED_SILENCES_LEARNT
            raise
        else:
            padding.answered = True
        return words[:count]

    def _ask(self, controller: ControllerSettings, function_code: int, address: int, count: int) -> list[int]:
        line = self.line
        if not line.is_open:
            raise LinkLost(f"{line.port}: not open")
        line.answer_deadline_s = controller.answer_deadline_s
        line.slowest_answer_s = max(controller.slowest_answer_s, controller.answer_deadline_s)
        line.gap_s = controller.gap_s
        instrument = self._instrument(controller.unit_address)
        try:
            if function_code in BIT_FUNCTION_CODES:
                return [int(bit) for bit in instrument.read_bits(address, count, functioncode=function_code)]
            return [int(word) for word in instrument.read_registers(address, count, functioncode=function_code)]
        except LinkFault:
            raise
        except (minimalmodbus.ModbusException, ValueError, TypeError) as error:
            raise BadAnswer(f"{line.port}, unit {controller.unit_address}: {error}", line.last_heard) from error

    def _instrument(self, unit_address: int) -> minimalmodbus.Instrument:
        if unit_address not in self._instruments:
            mode = _MODES[self.line.settings.framing]
            self._instruments[unit_address] = minimalmodbus.Instrument(self.line, unit_address, mode)
        return self._instruments[unit_address]
