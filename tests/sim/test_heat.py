"""The hidden truth of a heat: fast to compute, and the same however it is computed."""

import numpy as np
import pytest

from sim.canister import random_canister
from sim.controller import Tuning
from sim.heat import Heat, true_heat
from sim.oven import random_build
from sim.scenario import SCENARIOS

PROGRAM = SCENARIOS["plane-iron"].program


@pytest.mark.parametrize("seed", [3, 8])
def test_the_quick_truth_is_that_of_fine_steps(seed: int) -> None:
    rng = np.random.default_rng(seed)
    build, canister = random_build(rng), random_canister(rng)
    quick = true_heat(PROGRAM, 3 * 3600.0, build=build, canister=canister)
    fine = Heat(PROGRAM, build=build, canister=canister, tuning=Tuning(noise_K=0.0))
    fine.advance_to(3 * 3600.0)
    truth = fine.truth()
    assert np.array_equal(quick.time_s, truth.time_s)
    assert np.max(np.abs(quick.steel_K - truth.steel_K)) < 2.0
    assert np.max(np.abs(quick.oven_K - truth.oven_K)) < 4.0


def test_random_canisters_lag_by_times_that_shops_know() -> None:
    # Common practice, no source: the middle of a small can comes 20 minutes to some hours after the oven.
    lags_h = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        truth = true_heat(PROGRAM, 5 * 3600.0, build=random_build(rng), canister=random_canister(rng))
        oven = truth.time_s[np.argmax(truth.oven_K > 900.0 + 273.15)]
        steel = truth.time_s[np.argmax(truth.steel_K > 900.0 + 273.15)]
        if truth.steel_K.max() > 900.0 + 273.15:
            lags_h.append((steel - oven) / 3600.0)
    assert len(lags_h) > 6
    assert 0.2 < min(lags_h) < 1.0
    assert 1.0 < max(lags_h) < 4.0


def test_the_steel_is_never_hotter_than_the_hottest_that_the_oven_has_been() -> None:
    for seed in range(6):
        rng = np.random.default_rng(seed)
        truth = true_heat(PROGRAM, 6 * 3600.0, build=random_build(rng), canister=random_canister(rng))
        assert np.all(truth.steel_K <= np.maximum.accumulate(truth.wall_K) + 1e-6)
