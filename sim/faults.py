"""Everything that can go wrong between the steel and the computer, as a schedule. Pure.

A fault has a kind, a span of oven time, and where it fits a probability and an amount. Three families:

Oven       what the heat does         stuck-relay, dead-element, door-open, power-cut (also silences the wire)
Sensor     what the input gets        noise, sensor-break, break-code, reversed-pair, double-reversed, wrong-couple,
                                      drift, spikes, shorted-lead, withdrawn-tip
Display    what is shown and sent on  frozen, exact-zero, decimal-point, unit-change
Wire       what reaches the computer  dropout, lost-link, needs-gap, bad-checksum, truncated, late, split, echo,
                                      stray-before, stray-after, exception, wrong-slave, stale, repeated,
                                      second-master, unplug

A sensor fault deceives the controller too, so a reversed pair or a withdrawn tip overfires the oven as it would in
the shop; a display fault deceives only the reader.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal, get_args

import numpy as np

from sim.errors import BadInput
from sim.thermocouple import ZERO_CELSIUS_K, type_j_mV, type_k_C, type_k_mV

OvenKind = Literal["stuck-relay", "dead-element", "door-open", "power-cut"]
SensorKind = Literal[
    "noise",
    "sensor-break",
    "break-code",
    "reversed-pair",
    "double-reversed",
    "wrong-couple",
    "drift",
    "spikes",
    "shorted-lead",
    "withdrawn-tip",
]
DisplayKind = Literal["frozen", "exact-zero", "decimal-point", "unit-change"]
WireKind = Literal[
    "dropout",
    "lost-link",
    "needs-gap",
    "bad-checksum",
    "truncated",
    "late",
    "split",
    "echo",
    "stray-before",
    "stray-after",
    "exception",
    "wrong-slave",
    "stale",
    "repeated",
    "second-master",
    "unplug",
]
Kind = OvenKind | SensorKind | DisplayKind | WireKind
OVEN_KINDS: tuple[OvenKind, ...] = get_args(OvenKind)
SENSOR_KINDS: tuple[SensorKind, ...] = get_args(SensorKind)
DISPLAY_KINDS: tuple[DisplayKind, ...] = get_args(DisplayKind)
WIRE_KINDS: tuple[WireKind, ...] = get_args(WireKind)
KINDS: tuple[Kind, ...] = (*OVEN_KINDS, *SENSOR_KINDS, *DISPLAY_KINDS, *WIRE_KINDS)
# What the bus must know of.
BUS_KINDS: tuple[Kind, ...] = (*WIRE_KINDS, "power-cut")

# What `amount` means for a kind, and what it is when none is given.
AMOUNTS: Mapping[Kind, tuple[str, float]] = {
    "dead-element": ("fraction of the heater that is dead, 0 to 1", 1.0),
    "door-open": ("heat that the open door lets out [W/K]", 6.0),
    "noise": ("added standard deviation [K]", 3.0),
    "break-code": ("raw number shown in 16-bit registers", 32767.0),
    "double-reversed": ("terminals warmer than the controller by [K]", 40.0),
    "drift": ("error growing by [K] per hour", -5.0),
    "spikes": ("height of a spike [K]", 60.0),
    "withdrawn-tip": ("how much of the brick's outside the tip feels, 0 to 1", 0.4),
    "decimal-point": ("decimal places shown", 0.0),
    "needs-gap": ("silence after a reply before it hears the next request [s of wall time]", 0.05),
    "late": ("delay of the reply [s of wall time]", 0.7),
    "split": ("pause in the middle of the reply [s of wall time]", 0.05),
    "truncated": ("bytes cut off the end", 2.0),
    "stray-before": ("stray bytes", 1.0),
    "stray-after": ("stray bytes", 1.0),
    "exception": ("exception code, 1 to 6", 6.0),
    "wrong-slave": ("added to the unit address", 1.0),
    "second-master": ("unit address that the other master asks", 17.0),
}
# Spikes and wire faults hit one scan or one reply in a few; the rest holds for the whole span.
PROBABILITIES: Mapping[Kind, float] = {"spikes": 0.05}

Channel = Literal["oven", "inside"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    from_s, to_s   span of oven time [s]; to_s may be infinite
    probability    that a scan (spikes) or a reply (wire kinds) inside the span is hit, 0 to 1
    amount         see `AMOUNTS`; nan takes the default of the kind
    unit           only the controller with this unit address; None is all
    channel        sensor and display kinds: "oven" or "inside"
    """

    kind: Kind
    from_s: float = 0.0
    to_s: float = math.inf
    probability: float = math.nan
    amount: float = math.nan
    unit: int | None = None
    channel: Channel = "oven"

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise BadInput("fault: kind", repr(self.kind), ", ".join(KINDS))
        if not self.to_s > self.from_s >= 0:
            raise BadInput(f"fault {self.kind}: span", f"{self.from_s:g} to {self.to_s:g} s", "0 <= from < to")
        if self.channel not in get_args(Channel):
            raise BadInput(f"fault {self.kind}: channel", repr(self.channel), '"oven" or "inside"')
        if math.isnan(self.probability):
            object.__setattr__(self, "probability", PROBABILITIES.get(self.kind, 1.0))
        if not 0 <= self.probability <= 1:
            raise BadInput(f"fault {self.kind}: probability", f"{self.probability:g}", "0 to 1")
        if math.isnan(self.amount):
            object.__setattr__(self, "amount", AMOUNTS.get(self.kind, ("", 0.0))[1])

    def is_active(self, time_s: float, unit: int | None = None) -> bool:
        """Whether the span covers this oven time [s] (its end excluded) and this unit address."""
        return self.from_s <= time_s < self.to_s and (self.unit is None or unit is None or self.unit == unit)


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """All faults of a run."""

    faults: tuple[Fault, ...] = ()

    def active(self, time_s: float, kinds: Sequence[Kind] = KINDS, unit: int | None = None) -> list[Fault]:
        """The faults of these kinds that are on at this oven time [s], in the order of the plan."""
        return [fault for fault in self.faults if fault.kind in kinds and fault.is_active(time_s, unit)]

    def of_kinds(self, kinds: Sequence[Kind]) -> "FaultPlan":
        """The part of the plan with these kinds."""
        return FaultPlan(tuple(fault for fault in self.faults if fault.kind in kinds))

    def spans_s(self, *kinds: Kind) -> list[tuple[float, float]]:
        """The spans of these kinds [s], for a test that wants to know when a reading may be bad."""
        return [(fault.from_s, fault.to_s) for fault in self.faults if not kinds or fault.kind in kinds]


_ITEM = re.compile(r"^(?P<kind>[a-z-]+)(?:@(?P<start>[0-9.]*)-(?P<end>[0-9.]*))?(?P<rest>(?:,[a-z_]+=[^,]+)*)$")


def plan_from_text(text: str) -> FaultPlan:
    """A plan from one line: `kind@from-to,key=value` joined by `;`, oven seconds, either end may be left out.

    Keys are p (probability), amount, unit, channel. Example: `late@600-1200,p=0.2,amount=0.7; sensor-break@7200-7500`.

    Raises    BadInput    what cannot be read; names the item
    """
    faults = []
    for item in (part.strip() for part in text.split(";")):
        if not item:
            continue
        match = _ITEM.match(item.replace(" ", ""))
        if match is None:
            raise BadInput("faults", repr(item), "kind@from-to,key=value, like late@600-1200,p=0.2")
        entry: dict[str, Any] = {"kind": match["kind"]}
        try:
            if match["start"]:
                entry["from_s"] = float(match["start"])
            if match["end"]:
                entry["to_s"] = float(match["end"])
            for pair in match["rest"].split(",")[1:]:
                key, value = pair.split("=", 1)
                entry["probability" if key == "p" else key] = value if key == "channel" else float(value)
        except ValueError:
            raise BadInput("faults", repr(item), "numbers after @ and =") from None
        faults.append(_fault_from(entry, f"faults: {item}"))
    return FaultPlan(tuple(faults))


def plan_from_tables(entries: Iterable[Mapping[str, Any]], where: str = "faults") -> FaultPlan:
    """A plan from TOML `[[fault]]` tables with the fields of `Fault` as keys."""
    return FaultPlan(tuple(_fault_from(entry, f"{where}: fault {n}") for n, entry in enumerate(entries, start=1)))


def _fault_from(entry: Mapping[str, Any], where: str) -> Fault:
    known = [field.name for field in fields(Fault)]
    for key, value in entry.items():
        if key not in known:
            raise BadInput(f"{where}: {key}", "an unknown key", ", ".join(known))
        if key not in ("kind", "channel") and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise BadInput(f"{where}: {key}", repr(value), "a number")
    if "kind" not in entry:
        raise BadInput(f"{where}: kind", "nothing", ", ".join(KINDS))
    unit = entry.get("unit")
    return Fault(**{**entry, "unit": None if unit is None else int(unit)})


# Kinds that come and go by themselves in a long run; the others need somebody at the terminals.
PASSING_KINDS: tuple[Kind, ...] = (
    *WIRE_KINDS,
    "noise",
    "sensor-break",
    "spikes",
    "frozen",
    "exact-zero",
    "shorted-lead",
)


def random_plan(
    rng: np.random.Generator,
    duration_s: float,
    *,
    per_hour: float = 2.0,
    kinds: Sequence[Kind] = PASSING_KINDS,
    longest_s: float = 300.0,
) -> FaultPlan:
    """Faults at random times, `per_hour` on average, up to `longest_s` [s] long; the same generator, the same plan."""
    faults = []
    for _ in range(int(rng.poisson(per_hour * duration_s / 3600.0))):
        kind = kinds[int(rng.integers(len(kinds)))]
        start = float(rng.uniform(0.0, duration_s))
        length = float(rng.uniform(0.05, 1.0)) * longest_s
        probability = (
            float(rng.uniform(0.1, 1.0)) if kind in WIRE_KINDS and kind not in ("lost-link", "unplug") else math.nan
        )
        faults.append(Fault(kind, round(start, 1), round(start + length, 1), probability))
    return FaultPlan(tuple(sorted(faults, key=lambda fault: fault.from_s)))


def heater_W(plan: FaultPlan, time_s: float, wanted_fraction: float, full_power_W: float) -> float:
    """What the heater really gets [W] when the controller wants this fraction of full power [W]."""
    fraction, alive = wanted_fraction, 1.0
    for fault in plan.active(time_s, OVEN_KINDS):
        if fault.kind == "stuck-relay":
            fraction = 1.0
        elif fault.kind == "dead-element":
            alive *= 1.0 - fault.amount
        elif fault.kind == "power-cut":
            alive = 0.0
    return full_power_W * fraction * alive


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a faulty thermocouple feels instead of the place it should be in [K], and whether the relay just moved."""

    room_K: float
    shell_K: float
    cold_junction_K: float
    heater_switched: bool = False


def sensed_K(
    faults: Iterable[Fault],
    time_s: float,
    true_K: float,
    around: Surroundings,
    rng: np.random.Generator,
) -> float:
    """What the controller makes of its input [K] when the couple's place is at `true_K` [K]; nan for an open sensor.

    The controller expects type K. Reversed wires and the wrong couple are worked out in millivolts with the cold
    junction added as a controller does; a pair reversed at both ends loses the voltage between its hot terminals and
    the controller twice.
    """
    value = true_K
    for fault in faults:
        cold_mV = type_k_mV(around.cold_junction_K - ZERO_CELSIUS_K)
        match fault.kind:
            case "noise":
                value += fault.amount * float(rng.standard_normal())
            case "sensor-break" | "break-code":
                value = math.nan
            case "reversed-pair":
                value = _type_k_K(2.0 * cold_mV - type_k_mV(value - ZERO_CELSIUS_K))
            case "double-reversed":
                terminals_mV = type_k_mV(around.cold_junction_K + fault.amount - ZERO_CELSIUS_K)
                value = _type_k_K(type_k_mV(value - ZERO_CELSIUS_K) - 2.0 * (terminals_mV - cold_mV))
            case "wrong-couple":
                cold_J_mV = type_j_mV(around.cold_junction_K - ZERO_CELSIUS_K)
                value = _type_k_K(type_j_mV(value - ZERO_CELSIUS_K) - cold_J_mV + cold_mV)
            case "drift":
                value += fault.amount * (time_s - fault.from_s) / 3600.0
            case "spikes":
                if around.heater_switched or float(rng.random()) < fault.probability:
                    value += fault.amount * (1.0 if rng.random() < 0.5 else -1.0)
            case "shorted-lead":
                value = around.room_K + 0.02 * (value - around.room_K)
            case "withdrawn-tip":
                value += fault.amount * (around.shell_K - value)
            case _:
                pass
    return value


def _type_k_K(voltage_mV: float) -> float:
    return type_k_C(voltage_mV) + ZERO_CELSIUS_K
