"""What the simulated oven refuses, and what the machine could not give it.

SimError
├── BadInput         a program, fault list or option that cannot be used: where, found, expected (exit code 2)
└── NoPort           the system has no pseudo-terminal, or the address is taken: use the other link
"""


class SimError(Exception):
    """Anything the simulated oven raises on purpose."""


class BadInput(SimError):
    """What was given cannot be used; the message says where, what was found and what is expected."""

    def __init__(self, where: str, found: object, expected: str) -> None:
        self.where, self.found, self.expected = where, found, expected
        super().__init__(f"{where}: found {found}, expected {expected}")


class NoPort(SimError):
    """The machine gives no port of the kind that was asked for."""
