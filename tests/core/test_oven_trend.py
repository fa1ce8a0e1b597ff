"""Run by run: a dying element is told from a leaking door, a drifting thermocouple and a merely slower program.

The heats come from the simulated oven, which knows nothing of what is looked for here.
"""

from dataclasses import replace
from functools import cache
from math import nan

import numpy as np
import pytest

from logger.oven_trend import HeatEffort, Trouble, effort, trend
from logger.units import DisplayUnits
from sim.controller import Tuning
from sim.faults import Fault, FaultPlan
from sim.heat import Heat
from sim.program import Off, Program, Ramp, Soak
from sim.scenario import STRAP_CANISTER
from sim.thermocouple import ZERO_CELSIUS_K

HOLD_K = 925.0 + ZERO_CELSIUS_K


@cache
def heated(seed: int, fault: Fault | None = None, rate_C_per_h: float = 900.0, second: float = 0.0) -> HeatEffort:
    """One heat of the simulated oven, read every 20 s; ``second``: a second thermocouple off by this much [K]."""
    program = Program(
        (Ramp(650.0 + ZERO_CELSIUS_K, rate_C_per_h / 3600.0), Ramp(HOLD_K, 500.0 / 3600.0), Soak(5400.0), Off())
    )
    heat = Heat(
        program,
        canister=STRAP_CANISTER,
        faults=FaultPlan(() if fault is None else (fault,)),
        tuning=Tuning(scan_s=5.0),
        longest_step_s=5.0,
        seed=seed,
    )
    rows = []
    for time_s in np.arange(0.0, 4 * 3600.0, 20.0):
        heat.advance_to(float(time_s))
        shown = heat.display()
        rows.append((time_s, shown.process_value + 273.15, shown.set_point + 273.15, shown.output_percent))
    columns = np.array(rows, dtype=float).T
    return effort(f"run {seed}", 86400.0 * seed, *columns, other_K=columns[1] + second)


def dead(share: float) -> Fault:
    return Fault("dead-element", 0.0, amount=share)


def troubles(efforts: list[HeatEffort]) -> list[Trouble]:
    return [finding.trouble for finding in trend(efforts).findings]


def test_an_oven_that_stays_as_it_is_has_nothing_to_tell() -> None:
    assert troubles([heated(seed) for seed in range(6)]) == []


def test_a_dying_element_is_called_so_with_the_numbers_that_show_it() -> None:
    efforts = [*(heated(seed) for seed in range(3)), heated(3, dead(0.2)), heated(4, dead(0.28)), heated(5, dead(0.36))]
    found = trend(efforts)
    (finding,) = found.findings
    assert finding.trouble is Trouble.DYING_ELEMENT
    # a heater that has lost a share of its power needs 1 / (1 - share) of the time at full power, and a little more
    # for what is lost meanwhile
    assert finding.value >= 1.0 / (1.0 - 0.28) - 0.02
    words = finding.remark.said(DisplayUnits("C"))
    assert "An element is dying" in words
    assert f"{efforts[-1].hold_output_pct:.0f} % output instead of" in words
    assert "more runs the oven no longer holds 925 C" in words
    assert "392 F to 1112 F" in finding.remark.said(DisplayUnits("F"))


def test_a_wearing_element_is_told_before_it_is_dying() -> None:
    assert troubles([*(heated(seed) for seed in range(3)), heated(3, dead(0.15)), heated(4, dead(0.18))]) == [
        Trouble.WORN_ELEMENT
    ]


def test_one_odd_run_is_not_a_trend() -> None:
    assert troubles([*(heated(seed) for seed in range(4)), heated(5, dead(0.36))]) == []


def test_a_slower_program_is_no_weaker_element() -> None:
    slow = [heated(seed, None, 450.0) for seed in (10, 11)]
    fast = [heated(seed) for seed in range(3)]
    assert slow[0].time_to_heat_s > 1.8 * fast[0].time_to_heat_s
    assert slow[0].full_power_s > 1.3 * fast[0].full_power_s  # a slow heat loses more on the way
    assert troubles([*fast, *slow]) == []
    assert troubles([*(heated(seed, None, 450.0) for seed in (12, 13, 14)), *slow]) == []


def test_an_element_so_weak_that_the_program_waits_for_it_is_called_dying() -> None:
    efforts = [*(heated(seed) for seed in range(3)), heated(3, dead(0.5)), heated(4, dead(0.55))]
    assert efforts[-1].asked_s > 1.3 * efforts[0].asked_s
    assert troubles(efforts) == [Trouble.DYING_ELEMENT]


def test_a_bigger_load_is_no_weaker_element() -> None:
    heavy = [replace(heated(seed), full_power_s=1.4 * heated(seed).full_power_s) for seed in (3, 4)]
    assert troubles([*(heated(seed) for seed in range(3)), *heavy]) == []


def test_more_output_at_hold_alone_points_at_door_or_thermocouple() -> None:
    leaking = Fault("door-open", 5400.0, amount=0.35)
    efforts = [*(heated(seed) for seed in range(3)), heated(3, leaking), heated(4, leaking)]
    assert efforts[-1].hold_output_pct > 1.15 * efforts[0].hold_output_pct
    assert troubles(efforts) == [Trouble.HOLDS_HARDER]


@pytest.mark.parametrize("change_K", [-8.0, 8.0])
def test_two_thermocouples_that_part_are_told(change_K: float) -> None:
    efforts = [*(heated(seed) for seed in range(3)), *(heated(seed, None, 900.0, change_K) for seed in (3, 4))]
    (finding,) = trend(efforts).findings
    assert finding.trouble is Trouble.PAIR_DRIFTS
    assert finding.value == pytest.approx(change_K)
    assert ("higher" if change_K > 0.0 else "lower") in str(finding.remark)


def test_without_output_only_the_time_speaks() -> None:
    def timed(seed: int, minutes: float) -> HeatEffort:
        return HeatEffort(f"run {seed}", 86400.0 * seed, time_to_heat_s=60.0 * minutes)

    efforts = [timed(seed, minutes) for seed, minutes in enumerate((30.0, 31.0, 30.0, 38.0, 40.0))]
    (finding,) = trend(efforts).findings
    assert finding.trouble is Trouble.HEATS_SLOWLY
    assert "no heater output" in str(finding.remark)


def test_a_run_that_starts_hot_has_a_hole_or_stays_cool_is_left_out() -> None:
    time_s = np.arange(0.0, 3600.0, 20.0)
    up_K = 300.0 + 700.0 * time_s / 3600.0
    full = np.full(time_s.size, 50.0)
    whole = effort("a", 0.0, time_s, up_K, up_K, full)
    assert whole.time_to_heat_s == pytest.approx(400.0 / 700.0 * 3600.0, abs=41.0)
    assert whole.full_power_s == pytest.approx(0.5 * whole.time_to_heat_s, abs=10.0)
    assert np.isnan(effort("b", 0.0, time_s, up_K + 300.0, up_K, full).time_to_heat_s)
    assert np.isnan(effort("c", 0.0, time_s, 0.5 * up_K, up_K, full).time_to_heat_s)
    holed = np.where((time_s > 1500.0) & (time_s < 2000.0), nan, up_K)
    assert np.isnan(effort("d", 0.0, time_s, holed, up_K, full).time_to_heat_s)
    nothing = effort("e", 0.0, time_s, np.full(time_s.size, nan), up_K, full)
    assert np.isnan(nothing.full_power_s)
