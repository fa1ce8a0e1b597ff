"""One simulated heat: oven, canister, program, controller and faults advanced together. Pure.

The truth (what the steel really saw) is kept here for tests and for the truth file; a controller shows none of it
unless a second thermocouple is fitted inside the canister.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim.canister import Canister
from sim.controller import ControllerState, Tuning, displayed, heater_fraction, measure_K, scan
from sim.faults import DISPLAY_KINDS, SENSOR_KINDS, Channel, Fault, FaultPlan, Surroundings, heater_W, sensed_K
from sim.oven import Oven, OvenBuild, OvenState
from sim.program import Program, ProgramState, begin, time_left_s
from sim.program import advance as advance_program
from sim.registers import Display

INSIDE_LAG_S = 8.0  # a sheathed couple lying against the steel


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened, sampled every `truth_every_s` of the heat; arrays of one length, SI.

    steel_K    the steel inside; wall_K the canister's outside; oven_K where the oven's thermocouple is
    power_W    what the heater really got
    """

    time_s: NDArray[np.float64]
    oven_K: NDArray[np.float64]
    wall_K: NDArray[np.float64]
    steel_K: NDArray[np.float64]
    set_point_K: NDArray[np.float64]
    power_W: NDArray[np.float64]


@dataclass
class Heat:
    """A heat that is under way: `advance_to(time_s)` moves it, `display()` is what the controller shows.

    faults           oven, sensor and display kinds act here, wire kinds on the bus; one plan may go to both
    seed             of the noise; the same seed gives the same heat to the last bit
    second_sensor    whether a thermocouple inside the canister is wired to the controller
    start_K          everything in the oven at the start [K]; the room's temperature if None
    truth_every_s    spacing of the truth trace [s]
    longest_step_s   longest step of the oven's network [s]
    """

    program: Program
    build: OvenBuild = field(default_factory=OvenBuild)
    canister: Canister = field(default_factory=Canister)
    tuning: Tuning = field(default_factory=Tuning)
    faults: FaultPlan = field(default_factory=FaultPlan)
    seed: int = 0
    second_sensor: bool = False
    start_K: float | None = None
    truth_every_s: float = 5.0
    longest_step_s: float = 2.0

    def __post_init__(self) -> None:
        self.oven = Oven(self.build, self.canister)
        self.state: OvenState = self.oven.at_rest(self.start_K)
        self.time_s = 0.0
        self.scans = 0
        self.controller = ControllerState()
        self.program_state: ProgramState = begin(self.program, self.state.oven_K)
        self.power_W = 0.0
        self._rng = np.random.default_rng(self.seed)
        self._inside_K = self.state.steel_K
        self._shown: dict[Channel, float] = {"oven": math.nan, "inside": math.nan}
        self._heater_switched = False
        self._sensor_faults = self.faults.of_kinds((*SENSOR_KINDS, *DISPLAY_KINDS))
        self._truth: list[tuple[float, float, float, float, float, float]] = []
        self._scan()
        self._keep_truth()

    @property
    def is_over(self) -> bool:
        """Whether the program has come to its end or to a final `off`."""
        return not self.program_state.running

    def advance_to(self, time_s: float) -> None:
        """Move the heat forward to this oven time [s], scan by scan; a time in the past changes nothing."""
        scan_s = self.tuning.scan_s
        while self.time_s + scan_s <= time_s + 1e-9:
            self._step(scan_s)

    def _step(self, duration_s: float) -> None:
        pieces = max(1, math.ceil(duration_s / self.longest_step_s - 1e-9))
        fraction = heater_fraction(self.tuning, self.controller)
        self.power_W = heater_W(self.faults, self.time_s, fraction, self.build.heater_power_W)
        door = sum(fault.amount for fault in self.faults.active(self.time_s, ("door-open",)))
        for _ in range(pieces):
            self.state = self.oven.advance(self.state, self.power_W, duration_s / pieces, door)
        self._inside_K += (self.state.steel_K - self._inside_K) * -math.expm1(-duration_s / INSIDE_LAG_S)
        self.scans += 1
        self.time_s = self.scans * duration_s
        if self.faults.active(self.time_s, ("power-cut",)):
            # Nothing runs, and the controller wakes up where its program was.
            self.controller = ControllerState()
            self._keep_truth()
            return
        measured = self.controller.measured_K
        seen = self.state.oven_K if math.isnan(measured) else measured
        self.program_state = advance_program(self.program, self.program_state, seen, duration_s)
        self._scan()
        self._keep_truth()

    def _scan(self) -> None:
        was_on = self.controller.heater_on
        measured = self._sensed("oven", self.state.oven_K)
        self.controller = scan(
            self.tuning,
            self.controller,
            measured,
            self.program_state.set_point_K,
            heating=self.program_state.running,
            waiting=self.program_state.waiting,
        )
        self._heater_switched = self.tuning.cycle_s > 0 and self.controller.heater_on != was_on
        self._show("oven", measured)
        if self.second_sensor:
            self._show("inside", self._sensed("inside", self._inside_K))

    def _sensed(self, channel: Channel, true_K: float) -> float:
        around = Surroundings(
            self.build.room_temperature_K, self.state.shell_K, self.cold_junction_K, self._heater_switched
        )
        sensed = sensed_K(self._active(channel), self.time_s, true_K, around, self._rng)
        return measure_K(self.tuning, sensed, self._rng)

    def _show(self, channel: Channel, measured_K: float) -> None:
        """What the display gets: the measured value, or the one at which it froze."""
        if not any(fault.kind == "frozen" for fault in self._active(channel)):
            self._shown[channel] = measured_K

    def _active(self, channel: Channel) -> list[Fault]:
        if not self._sensor_faults.faults:
            return []
        return [fault for fault in self._sensor_faults.active(self.time_s) if fault.channel == channel]

    @property
    def cold_junction_K(self) -> float:
        """The controller's terminals [K]: the room, warmed a little by the oven beside them."""
        room = self.build.room_temperature_K
        return room + 5.0 + 0.02 * (self.state.shell_K - room)

    def display(self) -> Display:
        """What the controller shows and its registers hold now."""
        unit, places = self.tuning.unit, self.tuning.decimal_places
        values = dict(self._shown)
        break_raw: int | None = None
        zeroed: set[Channel] = set()
        for channel in ("oven", "inside"):
            for fault in self._active(channel):
                if fault.kind == "decimal-point":
                    places = int(fault.amount)
                elif fault.kind == "unit-change":
                    unit = "F" if self.tuning.unit == "C" else "C"
                elif fault.kind == "break-code":
                    break_raw = int(fault.amount)
                elif fault.kind == "exact-zero":
                    zeroed.add(channel)
        shown = {key: 0.0 if key in zeroed else displayed(value, unit, places) for key, value in values.items()}
        index = self.program_state.segment
        return Display(
            process_value=shown["oven"],
            set_point=displayed(self.controller.set_point_K, unit, places),
            second_temperature=shown["inside"],
            output_percent=100.0 * self.controller.output,
            status=self.controller.status,
            decimal_places=places,
            unit=unit,
            cold_junction_C=self.cold_junction_K - 273.15,
            segment=index + 1 if index < len(self.program.segments) else 0,
            minutes_left=time_left_s(self.program, self.program_state) / 60.0,
            scans=self.scans,
            break_raw=break_raw,
        )

    def _keep_truth(self) -> None:
        if self._truth and self.time_s - self._truth[-1][0] < self.truth_every_s - 1e-9:
            return
        state = self.state
        self._truth.append(
            (
                self.time_s,
                state.oven_K,
                state.canister_wall_K,
                state.steel_K,
                self.controller.set_point_K,
                self.power_W,
            )
        )

    def truth(self) -> Truth:
        """The truth trace so far."""
        columns = np.array(self._truth).T
        return Truth(*columns)


def true_heat(
    program: Program, duration_s: float, *, build: OvenBuild | None = None, canister: Canister | None = None
) -> Truth:
    """What really happens in an oven during `duration_s` [s] of a program, without faults, noise or a wire.

    Scans and steps every 5 s, for tests that try many ovens and canisters: the steel is within 2 K of the fine steps.
    """
    heat = Heat(
        program,
        build=build if build is not None else OvenBuild(),
        canister=canister if canister is not None else Canister(),
        tuning=Tuning(scan_s=5.0, noise_K=0.0),
        longest_step_s=5.0,
    )
    heat.advance_to(duration_s)
    return heat.truth()
