"""Each fault does to the oven, the sensor or the display what it is named for; the wire has its own file."""

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
from thermocouple_its90 import TypeJ, TypeK

from sim.controller import SENSOR_BREAK, Tuning
from sim.errors import BadInput
from sim.faults import (
    AMOUNTS,
    DISPLAY_KINDS,
    KINDS,
    OVEN_KINDS,
    SENSOR_KINDS,
    WIRE_KINDS,
    Fault,
    FaultPlan,
    Surroundings,
    plan_from_tables,
    plan_from_text,
    random_plan,
    sensed_K,
)
from sim.heat import Heat
from sim.program import Program, Ramp, Soak
from sim.scenario import SCENARIOS
from sim.thermocouple import type_j_mV, type_k_C, type_k_mV

HOLD = Program((Ramp(1173.15), Soak(36000.0)))
AROUND = Surroundings(room_K=293.15, shell_K=450.0, cold_junction_K=303.15)


def held(faults: str = "", tuning: Tuning | None = None, **settings: object) -> Heat:
    """An oven hot through and through at 900 C, the fault starting at 600 s."""
    heat = Heat(HOLD, tuning=tuning or Tuning(noise_K=0.0), faults=plan_from_text(faults), start_K=1173.15, **settings)  # type: ignore[arg-type]
    heat.advance_to(590.0)
    assert heat.display().process_value == pytest.approx(900.0, abs=1.0)
    return heat


def sensed(fault: Fault, true_C: float = 900.0, time_s: float = 3600.0, seed: int = 0) -> float:
    """What an otherwise perfect input makes of a couple with this fault [C]."""
    return sensed_K([fault], time_s, true_C + 273.15, AROUND, np.random.default_rng(seed)) - 273.15


# -- the sensor --


def test_a_reversed_pair_falls_as_the_oven_heats() -> None:
    readings = [sensed(Fault("reversed-pair"), true_C) for true_C in (30.0, 100.0, 150.0)]
    # In millivolts: twice the cold junction's voltage less the couple's, by the tables of an independent package.
    expected = [TypeK.temperature(2 * TypeK.emf(30.0) - TypeK.emf(true_C)) for true_C in (30.0, 100.0, 150.0)]
    assert readings == pytest.approx(expected, abs=1.5)
    assert readings[0] > readings[1] > readings[2]


def test_a_pair_reversed_twice_reads_low_by_about_twice_the_difference_of_its_terminals() -> None:
    # The rule of the trade (common practice, no source); exact in millivolts.
    reading = sensed(Fault("double-reversed", amount=40.0))
    assert reading == pytest.approx(900.0 - 2 * 40.0, abs=6.0)
    voltage = TypeK.emf(900.0) - 2 * (TypeK.emf(70.0) - TypeK.emf(30.0))
    assert reading == pytest.approx(TypeK.temperature(voltage), abs=0.5)


def test_the_wrong_couple_reads_as_its_voltage_in_the_wrong_table() -> None:
    voltage = TypeJ.emf(600.0) - TypeJ.emf(30.0) + TypeK.emf(30.0)
    assert sensed(Fault("wrong-couple"), 600.0) == pytest.approx(TypeK.temperature(voltage), abs=0.5)
    assert sensed(Fault("wrong-couple"), 30.0) == pytest.approx(30.0, abs=0.1)


def test_drift_grows_with_time_from_its_start() -> None:
    drift = Fault("drift", from_s=3600.0, amount=-5.0)
    assert [sensed(drift, time_s=time_s) for time_s in (3600.0, 7200.0, 10800.0)] == pytest.approx([900, 895, 890])


def test_spikes_come_seldom_and_high_in_both_directions() -> None:
    rng = np.random.default_rng(0)
    fault = Fault("spikes", amount=60.0, probability=0.1)
    values = np.array([sensed_K([fault], 0.0, 1000.0, AROUND, rng) for _ in range(5000)])
    assert set(np.round(values)) == {940.0, 1000.0, 1060.0}
    assert np.mean(values != 1000.0) == pytest.approx(0.1, abs=0.015)


def test_spikes_come_with_every_switch_of_the_relay() -> None:
    switching = dataclasses.replace(AROUND, heater_switched=True)
    rng = np.random.default_rng(0)
    fault = Fault("spikes", probability=0.0)
    assert all(sensed_K([fault], 0.0, 1000.0, switching, rng) != 1000.0 for _ in range(50))
    assert all(sensed_K([fault], 0.0, 1000.0, AROUND, rng) == 1000.0 for _ in range(50))


def test_a_shorted_lead_reads_near_the_room_and_a_withdrawn_tip_between_brick_and_chamber() -> None:
    assert sensed(Fault("shorted-lead")) == pytest.approx(20.0 + 0.02 * 880.0)
    assert sensed(Fault("withdrawn-tip", amount=0.25)) == pytest.approx(900.0 - 0.25 * (900.0 - 176.85))


def test_added_noise_has_its_spread() -> None:
    rng = np.random.default_rng(0)
    values = [sensed_K([Fault("noise", amount=4.0)], 0.0, 1000.0, AROUND, rng) for _ in range(20000)]
    assert np.std(values) == pytest.approx(4.0, rel=0.03)


def test_a_sensor_break_shows_the_code_turns_the_heater_off_and_ends() -> None:
    heat = held("sensor-break@600-900")
    heat.advance_to(700.0)
    assert math.isnan(heat.display().process_value)
    assert heat.display().status & SENSOR_BREAK
    assert heat.power_W == 0.0
    heat.advance_to(1000.0)
    assert heat.display().process_value > 700.0
    assert heat.power_W > 0.0


def test_a_break_code_of_choice_is_shown() -> None:
    heat = held("break-code@600-,amount=9999")
    heat.advance_to(700.0)
    assert heat.display().break_raw == 9999
    assert math.isnan(heat.display().process_value)


@pytest.mark.parametrize("fault", ["withdrawn-tip@600-,amount=0.3", "shorted-lead@600-"])
def test_a_sensor_that_reads_low_overfires_the_oven(fault: str) -> None:
    heat = held(fault)
    heat.advance_to(2400.0)
    assert heat.state.oven_K > 1173.15 + 60.0
    assert not heat.display().process_value > 910.0


def test_a_reversed_pair_in_a_cold_oven_drives_the_heater_until_the_input_runs_out_of_its_span() -> None:
    heat = Heat(HOLD, tuning=Tuning(noise_K=0.0), faults=plan_from_text("reversed-pair"))
    shown = []
    while not math.isnan(heat.display().process_value):
        shown.append(heat.display().process_value)
        assert heat.time_s < 3600.0
        heat.advance_to(heat.time_s + 20.0)
    assert shown[0] > 20.0
    assert shown[-1] < -40.0
    assert heat.state.oven_K > 373.15
    assert heat.display().output_percent == 0.0


# -- the oven --


def test_a_stuck_relay_heats_on_while_the_output_is_nothing() -> None:
    heat = held("stuck-relay@600-")
    heat.advance_to(900.0)
    assert heat.display().process_value > 950.0
    assert heat.display().output_percent == 0.0
    assert heat.power_W == heat.build.heater_power_W


def test_a_dead_element_falls_while_the_output_is_full() -> None:
    heat = held("dead-element@600-")
    heat.advance_to(1800.0)
    assert heat.display().process_value < 870.0
    assert heat.display().output_percent == 100.0
    assert heat.power_W == 0.0
    half = held("dead-element@600-,amount=0.5")
    half.advance_to(700.0)
    assert half.power_W == pytest.approx(0.5 * half.controller.output * half.build.heater_power_W, rel=0.1)


def test_an_open_door_lets_the_oven_fall_and_it_recovers() -> None:
    heat = held("door-open@600-660")
    heat.advance_to(660.0)
    open_C = heat.display().process_value
    heat.advance_to(2400.0)
    assert open_C < 870.0
    assert heat.display().process_value == pytest.approx(900.0, abs=2.0)
    stored = heat.state.heat_J.sum() - heat.oven.at_rest(1173.15).heat_J.sum()
    assert stored == pytest.approx(heat.state.heat_in_J - heat.state.heat_lost_J, rel=1e-9)


def test_a_power_cut_stops_heater_and_program_and_both_go_on_after_it() -> None:
    heat, whole = held("power-cut@600-1200"), held()
    heat.advance_to(1199.0)
    assert heat.power_W == 0.0
    assert heat.program_state.elapsed_s == pytest.approx(whole.program_state.elapsed_s, abs=15.0)
    heat.advance_to(1300.0)
    assert heat.power_W > 0.0
    whole.advance_to(1300.0)
    assert whole.program_state.elapsed_s - heat.program_state.elapsed_s == pytest.approx(600.0, abs=2.0)


def test_without_power_a_stuck_relay_heats_nothing() -> None:
    heat = held("stuck-relay@600-; power-cut@600-700")
    heat.advance_to(690.0)
    assert heat.power_W == 0.0
    heat.advance_to(710.0)
    assert heat.power_W == heat.build.heater_power_W


# -- the display --


def test_a_frozen_value_deceives_the_reader_but_not_the_controller() -> None:
    noisy = Tuning(noise_K=0.5)
    heat = held("frozen@600-1800; door-open@900-1000", noisy)
    heat.advance_to(601.0)
    frozen = heat.display().process_value
    for time_s in (700.0, 950.0, 1000.0, 1400.0):
        heat.advance_to(time_s)
        assert heat.display().process_value == frozen
    assert heat.display().output_percent > 0.0
    assert heat.state.oven_K - 273.15 == pytest.approx(900.0, abs=30.0)
    heat.advance_to(1801.0)
    assert heat.display().process_value != frozen


def test_exact_zeros_a_moved_decimal_point_and_another_unit_are_only_shown() -> None:
    shown: dict[str, Callable[[Heat], bool]] = {
        "exact-zero": lambda heat: heat.display().process_value == 0.0,
        "decimal-point": lambda heat: heat.display().decimal_places == 0,
        "unit-change": lambda heat: heat.display().unit == "F" and 1640.0 < heat.display().process_value < 1660.0,
    }
    for kind, seen in shown.items():
        heat = held(f"{kind}@600-700")
        assert not seen(heat)
        heat.advance_to(650.0)
        assert seen(heat)
        assert heat.state.oven_K - 273.15 == pytest.approx(900.0, abs=3.0)
        heat.advance_to(700.0)
        assert not seen(heat)


def test_a_fault_of_the_inner_channel_leaves_the_oven_channel_alone() -> None:
    heat = held("sensor-break@600-,channel=inside", second_sensor=True)
    assert not math.isnan(heat.display().second_temperature)
    heat.advance_to(700.0)
    assert math.isnan(heat.display().second_temperature)
    assert heat.display().process_value == pytest.approx(900.0, abs=1.0)


# -- the plan --


def test_a_plan_is_read_from_a_line() -> None:
    plan = plan_from_text("late@600-1200,p=0.2,amount=0.7; dropout ;sensor-break@7200-,channel=inside,unit=3")
    assert plan.faults == (
        Fault("late", 600.0, 1200.0, 0.2, 0.7),
        Fault("dropout"),
        Fault("sensor-break", 7200.0, channel="inside", unit=3),
    )
    assert plan.faults[1].to_s == math.inf


def test_a_plan_is_read_from_tables() -> None:
    plan = plan_from_tables([{"kind": "drift", "from_s": 60, "amount": -9.0}])
    assert plan.faults == (Fault("drift", 60.0, amount=-9.0),)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("gremlins", f"fault: kind: found 'gremlins', expected {', '.join(KINDS)}"),
        ("late@5", "faults: found 'late@5', expected kind@from-to,key=value, like late@600-1200,p=0.2"),
        ("late@9-5", "fault late: span: found 9 to 5 s, expected 0 <= from < to"),
        ("late@0-5,p=often", "faults: found 'late@0-5,p=often', expected numbers after @ and ="),
        ("late@0-5,p=2", "fault late: probability: found 2, expected 0 to 1"),
        (
            "late@0-5,size=2",
            "faults: late@0-5,size=2: size: found an unknown key, "
            "expected kind, from_s, to_s, probability, amount, unit, channel",
        ),
        ("drift@0-5,channel=room", 'fault drift: channel: found \'room\', expected "oven" or "inside"'),
    ],
)
def test_a_fault_that_cannot_be_used_is_named(text: str, message: str) -> None:
    with pytest.raises(BadInput) as refusal:
        plan_from_text(text)
    assert str(refusal.value) == message


def test_a_fault_is_active_in_its_span_and_for_its_unit_only() -> None:
    plan = FaultPlan((Fault("dropout", 100.0, 200.0, unit=2), Fault("drift", 150.0)))
    assert [fault.kind for fault in plan.active(150.0, unit=2)] == ["dropout", "drift"]
    assert plan.active(150.0, WIRE_KINDS, unit=1) == []
    assert plan.active(200.0, WIRE_KINDS, unit=2) == []
    assert plan.spans_s("dropout") == [(100.0, 200.0)]


def test_a_random_plan_follows_its_seed_and_reaches_every_kind() -> None:
    one, same = (random_plan(np.random.default_rng(5), 6 * 3600.0) for _ in range(2))
    assert one == same
    many = random_plan(np.random.default_rng(1), 100 * 3600.0, per_hour=20.0, kinds=KINDS)
    assert {fault.kind for fault in many.faults} == set(KINDS)
    assert len(many.faults) == pytest.approx(2000, rel=0.1)
    assert all(0.0 <= fault.from_s < fault.to_s <= 100 * 3600.0 + 300.0 for fault in many.faults)


def test_every_kind_belongs_to_one_family_and_is_listed_where_it_is_explained() -> None:
    assert len(KINDS) == len(set(KINDS)) == sum(map(len, (OVEN_KINDS, SENSOR_KINDS, DISPLAY_KINDS, WIRE_KINDS)))
    assert set(AMOUNTS) <= set(KINDS)


# -- the couples --


@pytest.mark.parametrize("temperature_C", [*range(-150, 1300, 55)])
def test_the_voltages_are_those_of_an_independent_package(temperature_C: int) -> None:
    assert type_k_mV(temperature_C) == pytest.approx(TypeK.emf(temperature_C), abs=0.02)
    assert type_k_C(type_k_mV(temperature_C)) == pytest.approx(temperature_C, abs=0.01)
    if -150 <= temperature_C <= 1200:
        assert type_j_mV(temperature_C) == pytest.approx(TypeJ.emf(temperature_C), abs=0.02)


# -- the whole heat --


def test_the_same_seed_gives_the_same_heat_and_another_seed_another() -> None:
    scenario = SCENARIOS["plane-iron"]
    runs = []
    for seed, step_s in ((1, 900.0), (1, 37.0), (2, 900.0)):
        heat = Heat(scenario.program, canister=scenario.canister, seed=seed, faults=plan_from_text("spikes@300-600"))
        time_s = 0.0
        while time_s < 1800.0:
            time_s = min(1800.0, time_s + step_s)
            heat.advance_to(time_s)
        runs.append(heat.truth())
    assert np.array_equal(runs[0].steel_K, runs[1].steel_K)
    assert not np.array_equal(runs[0].steel_K, runs[2].steel_K)


@pytest.mark.parametrize(("name", "peak_C"), [("plane-iron", 925.0), ("too-hot", 1225.0), ("temper", 205.0)])
def test_the_built_in_heats_reach_what_they_are_named_for(name: str, peak_C: float) -> None:
    scenario = SCENARIOS[name]
    heat = Heat(scenario.program, canister=scenario.canister)
    heat.advance_to(scenario.duration_s)
    truth = heat.truth()
    assert np.max(truth.steel_K) - 273.15 == pytest.approx(peak_C, abs=15.0)
    assert np.max(truth.oven_K) - 273.15 == pytest.approx(peak_C, abs=12.0)
    assert heat.is_over
    if name == "plane-iron":
        # The commonest silent error in the trade: the steel comes much later than the oven.
        oven_there = truth.time_s[np.argmax(truth.oven_K > 1173.15)]
        steel_there = truth.time_s[np.argmax(truth.steel_K > 1173.15)]
        assert 1800.0 < steel_there - oven_there < 6000.0
