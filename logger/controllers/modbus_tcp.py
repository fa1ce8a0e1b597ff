"""Registers over a network: pymodbus asks and takes the answers apart, `ReadOnlySocket` beneath it lets only reads out.

Answers on a network carry the number of their question, so a late one is told apart by that. After anything odd the
connection is closed and made anew, which leaves nothing of the old stream behind.
"""

import logging
from collections.abc import Callable
from urllib.parse import urlsplit

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from logger.controllers.link_faults import (
    MODBUS_EXCEPTIONS,
    BadAnswer,
    LinkFault,
    LinkLost,
    NoAnswer,
    PortMissing,
    Refused,
    reason,
)
from logger.controllers.modbus_frames import BIT_FUNCTION_CODES, ReadRequest
from logger.controllers.read_only_port import ReadOnlySocket, connect
from logger.controllers.settings import ControllerSettings, PortSettings
from logger.errors import Fault, InputFault

USUAL_TCP_PORT = 502
"""MODBUS Messaging on TCP/IP V1.0b, section 2.2."""

NEVER = 1_000_000_000

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # its complaints arrive here as exceptions already


class _GuardedClient(ModbusTcpClient):
    """A client that never connects by itself: it is given a guarded connection, or none."""

    def connect(self) -> bool:
        return self.socket is not None


def host_and_port(name: str) -> tuple[str, int]:
    """Host and port number of a port named tcp://host or tcp://host:port.

    Raises   InputFault    any other name
    """
    try:
        parts = urlsplit(name)
        number = parts.port or USUAL_TCP_PORT
    except ValueError:
        parts, number = urlsplit(""), 0
    if parts.scheme != "tcp" or not parts.hostname:
        raise InputFault(Fault("port", name, "tcp://host:port"))
    return parts.hostname, number


class TcpRegisters:
    """The network connection to a Modbus TCP device: a link and a `RegisterReader` in one."""

    def __init__(
        self, settings: PortSettings, connector: Callable[[str, int, float], ReadOnlySocket] = connect
    ) -> None:
        self.settings = settings
        self._host, self._number = host_and_port(settings.name)
        self._connector = connector
        self._client: _GuardedClient | None = None
        self._wanted = False

    @property
    def is_open(self) -> bool:
        """Whether the connection is meant to be up; it is silently renewed after an odd answer."""
        return self._wanted

    def open(self) -> None:
        """Connect.

        Raises   PortMissing    nobody answers at that address
        """
        self._connect()
        self._wanted = True

    def close(self) -> None:
        """Disconnect."""
        self._wanted = False
        self._drop()

    def ready(self, controller: ControllerSettings) -> bool:
        """Always: a late answer does no harm here."""
        return True

    def read(self, controller: ControllerSettings, function_code: int, address: int, count: int) -> list[int]:
        """`count` registers, or bits, from an address (from 0).

        Raises   LinkFault    no trustworthy answer
        """
        if not self._wanted:
            raise LinkLost(f"{self.settings.name}: not open")
        request = ReadRequest(controller.unit_address, function_code, address, count)
        try:
            return self._ask(request, controller.answer_deadline_s)
        except Refused:
            raise
        except LinkFault:
            self._drop()
            raise

    def _ask(self, request: ReadRequest, deadline_s: float) -> list[int]:
        who = f"{self.settings.name}, {request}"
        client = self._client or self._connect()
        client.comm_params.timeout_connect = deadline_s
        read = {
            1: client.read_coils,
            2: client.read_discrete_inputs,
            3: client.read_holding_registers,
            4: client.read_input_registers,
        }[request.function_code]
        try:
            answer: ModbusPDU = read(request.address, count=request.count, device_id=request.unit_address)
        except ConnectionException as error:
            raise LinkLost(f"{who}: the connection was closed ({error.string})") from error
        except ModbusIOException as error:
            if "No response" in error.string:
                raise NoAnswer(f"{who}: no answer in {deadline_s:g} s; check power and unit address") from error
            raise BadAnswer(f"{who}: {error.string}") from error
        except (ModbusException, ValueError, IndexError, TypeError) as error:
            raise BadAnswer(f"{who}: an answer that cannot be taken apart ({error})") from error
        except OSError as error:
            raise LinkLost(f"{who}: the connection is lost ({reason(error)})") from error
        if answer.isError():
            code = int(getattr(answer, "exception_code", 0))
            raise Refused(f"{who}: refused with exception {code}: {MODBUS_EXCEPTIONS.get(code, 'unknown')}", code)
        is_bits = request.function_code in BIT_FUNCTION_CODES
        values = list(answer.bits if is_bits else answer.registers)
        fits = request.count <= len(values) < request.count + 8 if is_bits else len(values) == request.count
        if answer.function_code != request.function_code or not fits:
            raise BadAnswer(f"{who}: the answer has {len(values)} values, or another function code", why="foreign")
        return [int(value) for value in values[: request.count]]

    def _connect(self) -> _GuardedClient:
        try:
            guarded = self._connector(self._host, self._number, self.settings.open_deadline_s)
        except OSError as error:
            fault = LinkLost if self._wanted else PortMissing
            raise fault(
                f"{self.settings.name}: nobody answers there ({reason(error)}); is the device on, is this its address, "
                "does it allow one more connection?"
            ) from error
        client = _GuardedClient(self._host, port=self._number, retries=0, timeout=1.0)
        client.set_max_no_responses(NEVER)
        client.socket = guarded  # type: ignore[assignment]
        self._client = client
        return client

    def _drop(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()  # type: ignore[no-untyped-call]
