"""What can go wrong between this computer and a controller, told apart as far as the line allows.

OutsideFault
└── LinkFault            one line for a person; `kind` for programs
    ├── PortMissing      the port is not there (unplugged, renamed)
    ├── PortTaken        another program has it, or we may not use it
    ├── LinkLost         it was open and is gone, or opening and closing hang
    ├── NoAnswer         the question went out, nothing came back
    ├── BadAnswer        something came back that is not an answer to our question
    └── Refused          the controller answered that it will not: wiring and unit address are fine
"""

import re

from logger.errors import OutsideFault

MODBUS_EXCEPTIONS = {
    1: "it does not know this function code",
    2: "it has no such register",
    3: "it will not give this many registers at once",
    4: "it failed inside",
    5: "it accepted the question but needs longer",
    6: "it is busy",
    8: "its memory has a parity error",
    10: "the network gateway has no path to it",
    11: "the network gateway got no answer from it",
}
"""Modbus Application Protocol Specification V1.1b3, section 7, in our words."""


class LinkFault(OutsideFault):
    """Something between this computer and a controller failed; retried by the poller."""


class PortMissing(LinkFault):
    """The port is not there."""


class PortTaken(LinkFault):
    """The port exists but will not be ours: held by another program, or no permission."""


class LinkLost(LinkFault):
    """A port that was open is gone, or will not open or close in time."""


class NoAnswer(LinkFault):
    """The question went out and nothing at all came back before the deadline."""


class BadAnswer(LinkFault):
    """Bytes came back that are not the answer: garbled, cut, somebody else's, or left over."""

    def __init__(self, message: str, heard: bytes = b"", why: str = "garbled") -> None:
        super().__init__(message)
        self.heard = heard
        self.why = why


class Refused(LinkFault):
    """The controller answered with a Modbus exception: the wiring and the unit address are right."""

    def __init__(self, message: str, code: int) -> None:
        super().__init__(message)
        self.code = code


_NUMBER, _PATH = re.compile(r"\[Errno -?\d+\] "), re.compile(r": '[^']*'$")


def reason(error: BaseException) -> str:
    """What the system says of a failure, in its words alone: no number, no path a second time."""
    return _PATH.sub("", _NUMBER.split(str(error))[-1]) or type(error).__name__
