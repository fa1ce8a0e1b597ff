"""Fitting a canister's lag to one run logged with both thermocouples."""

from dataclasses import replace

import numpy as np
import pytest

from logger.errors import InputFault
from logger.estimate import canister, lag_fit, load_temperature
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import CanisterLag
from logger.thermocouple import Correction, Thermocouple
from tests.estimate.oven_traces import ramp_hold_cool, sheet_in_oven, sheet_inside


def two_channels(lag: CanisterLag) -> tuple[History, History, RunSheet]:
    """A run of a canister with this lag, both channels logged."""
    sheet = sheet_in_oven(0.07)
    t, x = ramp_hold_cool(hold_h=4.0, interval_s=20.0)
    oven = History("oven", t, x, 20.0)
    true = replace(sheet, canister=replace(sheet.canister, lag=lag))
    problem = load_temperature.problem_from_sheet(true)
    state, samples = load_temperature.advance(problem, load_temperature.begin(problem), oven)
    inside_K = np.interp(t, samples.time_s, samples.temperature_K[0]) + np.random.default_rng(3).normal(0, 0.5, t.size)
    covered = t <= samples.time_s[-1]
    assert state.canister is not None
    return oven, History("inside", t[covered], inside_K[covered], 20.0), sheet


@pytest.fixture(scope="module")
def two() -> tuple[History, History, RunSheet]:
    return two_channels(CanisterLag(1.5, 1.0, 1.0))


@pytest.mark.parametrize("lag", [CanisterLag(1.5, 1.0, 1.0), CanisterLag(0.7, 1.2, 1.3)], ids=str)
def test_the_fit_finds_the_canister_that_made_the_trace(lag: CanisterLag) -> None:
    found = lag_fit.fit(*two_channels(lag))
    assert found.fitted.rms_K < 3.0
    assert found.before.rms_K > 4.0 * found.fitted.rms_K
    ours, true = np.log([[f.conductivity, f.exchange, f.steel] for f in (found.lag, lag)])
    scatter = canister.lag_scatter(found.lag)
    # The truth lies within two spreads along each direction the fit knows of.
    along = np.linalg.lstsq(scatter, ours - true, rcond=None)[0]
    assert np.abs(along).max() < 2.0


def test_what_it_misses_is_told_for_the_sheet_as_it_stands(two: tuple[History, History, RunSheet]) -> None:
    oven, inside, sheet = two
    first = lag_fit.fit(oven, inside, sheet)
    again = lag_fit.fit(oven, inside, replace(sheet, canister=replace(sheet.canister, lag=first.lag)))
    assert again.lag == first.lag
    assert again.before.rms_K == pytest.approx(again.fitted.rms_K, rel=0.05)
    assert first.before.rms_K > 4.0 * first.fitted.rms_K
    assert abs(first.fitted.at_heat_s - first.at_heat_s) < 0.2 * abs(first.before.at_heat_s - first.at_heat_s)


def test_a_correction_of_either_thermocouple_is_taken_into_account(two: tuple[History, History, RunSheet]) -> None:
    oven, inside, sheet = two
    reads_low = replace(inside, temperature_K=inside.temperature_K - 8.0)
    known = Thermocouple(correction=Correction((293.15, 1273.15), (8.0, 8.0)))
    assert lag_fit.fit(oven, reads_low, sheet, None, known).fitted.rms_K < 3.0
    assert lag_fit.fit(oven, reads_low, sheet).fitted.rms_K > 3.0


def test_the_inner_trace_shows_the_halt_near_727_C() -> None:
    _, inside, _ = two_channels(CanisterLag())
    arrest = lag_fit.arrest_on_heating(inside)
    assert arrest is not None
    assert 727.0 < arrest.temperature_K - 273.15 < 750.0
    t, x = ramp_hold_cool(interval_s=20.0)
    assert lag_fit.arrest_on_heating(History("oven", t, x, 20.0)) is None  # an oven has no transformation


def test_a_load_that_was_never_heated_teaches_nothing() -> None:
    oven, _, sheet = two_channels(CanisterLag())
    cold = History("inside", oven.time_s, np.full(len(oven), 300.0), 20.0)
    with pytest.raises(InputFault) as fault:
        lag_fit.fit(oven, cold, sheet)
    assert str(fault.value) == (
        "channels oven and inside: found 0 K between coldest and hottest inside, expected a heat of at least 200 K"
    )


def test_channels_that_never_overlap_are_named() -> None:
    oven, inside, sheet = two_channels(CanisterLag())
    later = History("inside", inside.time_s + 1e6, inside.temperature_K, 20.0)
    with pytest.raises(InputFault, match="channels oven and inside: found 0 common readings two minutes apart"):
        lag_fit.fit(oven, later, sheet)
    with pytest.raises(InputFault, match="found no good readings"):
        lag_fit.fit(oven, History("inside", np.empty(0), np.empty(0)), sheet)


def test_a_sheet_without_the_canisters_size_cannot_be_fitted() -> None:
    oven, inside, _ = two_channels(CanisterLag())
    with pytest.raises(InputFault, match=r"canister.outer: found nothing, expected the canister's outer size"):
        lag_fit.fit(oven, inside, sheet_inside())
