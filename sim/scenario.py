"""Built-in heats: invented data of an invented shop, a plane-iron maker who carburizes salvaged wrought iron.

Four straps 6 mm thick lie in charcoal in a tube of 60 mm. The usual heat holds 925 C; the hot one goes to 1225 C,
where a rich pack melts the skin of the iron.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from sim.canister import Canister
from sim.errors import BadInput
from sim.program import Off, Program, Ramp, Soak
from sim.thermocouple import ZERO_CELSIUS_K

STRAP_CANISTER = Canister(
    shape="tube",
    outer_size_m=0.060,
    length_m=0.20,
    wall_thickness_m=0.002,
    steel_volume_m3=4 * 0.006 * 0.025 * 0.15,
)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A program with its canister and how long the run is worth watching [s]."""

    name: str
    description: str
    program: Program
    canister: Canister
    duration_s: float


def _heat(to_C: float, soak_h: float) -> Program:
    hold = to_C + ZERO_CELSIUS_K
    return Program(
        (
            Ramp(650.0 + ZERO_CELSIUS_K, 900.0 / 3600.0),
            Ramp(hold, 500.0 / 3600.0),
            Soak(soak_h * 3600.0),
            Off(),
        )
    )


SCENARIOS: Mapping[str, Scenario] = {
    "plane-iron": Scenario(
        "plane-iron",
        "four wrought-iron straps in charcoal, 925 C, then cooled in the oven",
        _heat(925.0, 3.25),
        STRAP_CANISTER,
        6 * 3600.0,
    ),
    "too-hot": Scenario(
        "too-hot",
        "thin straps in a strong pack, and a program typed wrong: 1225 C",
        _heat(1225.0, 2.75),
        STRAP_CANISTER,
        6 * 3600.0,
    ),
    "temper": Scenario(
        "temper",
        "one bare 6 mm plane iron, 205 C for an hour, twice",
        Program(
            (
                Ramp(205.0 + ZERO_CELSIUS_K, 400.0 / 3600.0),
                Soak(3600.0),
                Off(3600.0),
                Ramp(205.0 + ZERO_CELSIUS_K, 400.0 / 3600.0),
                Soak(3600.0),
                Off(),
            )
        ),
        Canister(shape="bare plate", outer_size_m=0.006, length_m=0.19, width_m=0.055),
        5 * 3600.0,
    ),
}


def scenario(name: str) -> Scenario:
    """The built-in heat of this name.

    Raises    BadInput    no such heat; lists the names
    """
    if name not in SCENARIOS:
        raise BadInput("scenario", repr(name), ", ".join(SCENARIOS))
    return SCENARIOS[name]
