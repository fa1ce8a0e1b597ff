"""Heats of the simulated oven, whose inner temperature the logger never sees, and what the logger makes of them."""

from dataclasses import dataclass

import numpy as np

from logger.estimate import canister, load_temperature, soak
from logger.estimate.soak import SoakResult
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, CanisterShape
from logger.steel.coefficients import STEEL_DENSITY_KG_PER_M3
from logger.units import kelvin_from_celsius
from sim.canister import Canister as TrueCanister
from sim.canister import random_canister
from sim.controller import Tuning
from sim.heat import Heat
from sim.program import Off, Program, Ramp, Soak
from tests.estimate.oven_traces import STRAP

EVERY_S = 20.0


@dataclass(frozen=True, slots=True)
class HiddenHeat:
    """One simulated heat: what the logger may see, and what it may not."""

    oven: History
    inside: History  # the truth with a little noise: for fitting a lag only
    steel: History  # the truth itself
    sheet: RunSheet
    hold_K: float


def hidden_heat(seed: int, hold_C: float = 940.0, states_load: bool = False) -> HiddenHeat:
    """A heat of 8 h with a canister drawn from ``seed``; the sheet states its size and, if asked, length and weight."""
    truth_canister: TrueCanister = random_canister(np.random.default_rng(seed))
    hold_K = kelvin_from_celsius(hold_C)
    program = Program(
        (
            Ramp(kelvin_from_celsius(650.0), 900.0 / 3600.0),
            Ramp(hold_K, 500.0 / 3600.0),
            Soak(4.5 * 3600.0),
            Off(),
        )
    )
    tuning = Tuning(scan_s=10.0)
    heat = Heat(
        program, canister=truth_canister, tuning=tuning, seed=seed, truth_every_s=EVERY_S, longest_step_s=tuning.scan_s
    )
    heat.advance_to(8 * 3600.0)
    truth = heat.truth()
    noise = np.random.default_rng(seed + 10_000).normal(0.0, 0.5, (2, truth.time_s.size))
    shape = CanisterShape.TUBE if truth_canister.shape == "tube" else CanisterShape.BOX
    box = Canister(
        sensor="oven",
        shape=shape,
        outer_m=truth_canister.outer_size_m,
        wall_m=truth_canister.wall_thickness_m,
        length_m=truth_canister.length_m if states_load else None,
        steel_mass_kg=truth_canister.steel_volume_m3 * STEEL_DENSITY_KG_PER_M3 if states_load else None,
    )
    return HiddenHeat(
        oven=History("oven", truth.time_s, truth.oven_K + noise[0], EVERY_S),
        inside=History("inside", truth.time_s, truth.steel_K + noise[1], EVERY_S),
        steel=History("steel", truth.time_s, truth.steel_K, EVERY_S),
        sheet=RunSheet(STRAP, canister=box),
        hold_K=hold_K,
    )


def clocks(heat: HiddenHeat, sheet: RunSheet, members: int, seed: int) -> SoakResult:
    """Hours at heat inside of every member, from the oven's thermocouple alone."""
    drawn = canister.draw_canisters(np.random.default_rng(seed), sheet, members)
    problem = load_temperature.problem_from_sheet(sheet, parameters=drawn)
    rule = soak.problem_from_sheet(sheet)
    state, samples = load_temperature.advance(problem, load_temperature.begin(problem), heat.oven)
    tail = load_temperature.at_end(problem, state).tail
    seen = soak.begin(rule)
    for part in (samples, tail):
        seen = soak.advance(rule, seen, part.time_s, part.temperature_K, part.driving_K)
    return soak.at_end(rule, seen)


def true_hours(heat: HiddenHeat, result: SoakResult) -> float:
    """Hours the hidden steel really was in the bands the logger judged by."""
    return (
        sum(
            found.in_band_s
            for band in result.bands_K
            for found in soak.soaks(heat.steel.time_s, heat.steel.temperature_K, *band)
        )
        / 3600.0
    )
