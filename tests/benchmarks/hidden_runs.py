"""Simulated runs whose true parameters the logger never sees, drawn from the very spreads it states.

What the steel truly lived through makes the readings: a thermocouple that is off by its own share of the tolerance,
noise, a hole here and there. What the run then truly became is solved for those parameters, at the nominal step
tolerance and from the true temperature; the logger has the readings and the sheet.
"""

from dataclasses import dataclass, fields, replace

import numpy as np

from logger.estimate import estimate, uncertainty
from logger.estimate.bands import Band
from logger.estimate.canister import CanisterParameters
from logger.estimate.uncertainty import AS_NOMINAL, Draws
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape, Stage, StageKind
from logger.steel.pack_recipes import PACK_RECIPES
from logger.thermocouple import Thermocouple, ThermocoupleType, usable_tolerance_K
from logger.units import FloatArray, kelvin_from_celsius

INTERVAL_S = 20.0


@dataclass(frozen=True, slots=True)
class Found:
    """One quantity of one run: the truth, and the band it should lie in nine times in ten."""

    quantity: str
    truth: float
    band: Band

    @property
    def covered(self) -> bool:
        """Whether the truth is in the band; where nothing scatters (a saturated face), within its rounding."""
        low, _, high = self.band
        slack = 1e-6 * max(abs(self.truth), 1e-6)
        return low - slack <= self.truth <= high + slack


def hidden_run(number: int) -> list[Found]:
    """Simulate run ``number`` (its seed), let the logger see it, and compare."""
    rng = np.random.default_rng([number, 71])
    tempers = number % 4 == 3
    sheet, thermocouple = _sheet(rng, tempers), Thermocouple(type=rng.choice([ThermocoupleType.K, ThermocoupleType.S]))
    time_s, true_K = _heat(rng, tempers)
    drawn = _only(uncertainty.draw(sheet, thermocouple, members=2, seed=1_000_000 + number), 1)
    error_K = float(drawn.reading_error[0]) * usable_tolerance_K(thermocouple, true_K)
    shown_K = true_K - error_K + rng.normal(0.0, 0.5, time_s.size)
    shown_K[rng.random(time_s.size) < 0.01] = np.nan
    if rng.random() < 0.25:
        start_s = rng.uniform(0.35, 0.6) * time_s[-1]
        shown_K[(time_s > start_s) & (time_s < start_s + rng.uniform(300.0, 1500.0))] = np.nan

    nothing = np.zeros(1)
    world = uncertainty.problem_from_sheet(
        sheet,
        thermocouple,
        draws=replace(drawn, reading_error=nothing, gap_position=nothing),
        economy=AS_NOMINAL,
    )
    seen = History("oven", time_s, true_K, INTERVAL_S)
    truth = uncertainty.at_end(world, uncertainty.advance(world, uncertainty.begin(world), seen))

    problem = estimate.problem_from_sheet(sheet, thermocouple)
    assert problem.ensemble is not None
    readings = History("oven", time_s, shown_K, INTERVAL_S)
    bands = estimate.bands_at_end(problem, estimate.over_history(problem, readings))
    assert bands is not None
    found = [Found("equivalent time", float(truth.equivalent_time_s[0]), bands.equivalent_time_s)]
    if tempers:
        soft = bands.tempering
        assert soft is not None
        return [
            *found,
            Found("hardness", float(truth.hardness_HRC[0]), soft.hardness_HRC),
            Found("tempering parameter", float(truth.tempering_parameter_K[0]), soft.parameter_K),
            Found("temper's equal time", float(truth.tempering_equivalent_time_s[0]), soft.equivalent_time_s),
        ]
    carbon, of = truth.carbon, bands.carbon
    return [
        *found,
        Found("surface carbon", float(carbon.surface_wt_pct[0]), of.surface_wt_pct),
        Found("core carbon", float(carbon.core_wt_pct[0]), of.core_wt_pct),
        Found("mean carbon", float(carbon.mean_wt_pct[0]), of.mean_wt_pct),
        Found("carbon gain", float(carbon.gain_kg_per_m2[0]), of.gain_kg_per_m2),
        Found("case depth to 0.40 % C", float(carbon.case_depth_m(0.40)[0]), of.case_depth_m[0.40]),
    ]


def _sheet(rng: np.random.Generator, tempers: bool) -> RunSheet:
    if tempers:
        steel = Piece(Shape.PLATE, rng.uniform(0.002, 0.006), rng.uniform(0.5, 1.0), {"Mn": 0.6})
        return RunSheet(piece=steel, stages=(Stage(StageKind.TEMPER),), canister=Canister(sensor="inside"))
    sensor = "oven" if rng.random() < 0.5 else "inside"
    return RunSheet(
        piece=Piece(Shape.PLATE, rng.uniform(0.004, 0.010), rng.uniform(0.05, 0.25)),
        pack=Pack(recipe=rng.choice(sorted(PACK_RECIPES))),
        canister=Canister(sensor=sensor, outer_m=rng.uniform(0.05, 0.12)),
    )


def _heat(rng: np.random.Generator, tempers: bool) -> tuple[FloatArray, FloatArray]:
    """Times [s] and the true temperature [K] where the thermocouple is."""
    hold_C = rng.uniform(160.0, 320.0) if tempers else rng.uniform(870.0, 1020.0)
    up_h, hold_h = (0.5, rng.uniform(0.7, 2.5)) if tempers else (rng.uniform(1.0, 2.5), rng.uniform(2.0, 7.0))
    at_s = 3600.0 * np.cumsum([0.0, up_h, hold_h, 1.0])
    time_s = np.arange(0.0, at_s[-1], INTERVAL_S)
    end_C = 60.0 if tempers else 500.0
    temperature_C = np.interp(time_s, at_s, [20.0, hold_C, hold_C, end_C])
    holds = (time_s > at_s[1]) & (time_s < at_s[2])
    swing_K = rng.uniform(0.0, 3.0) * np.sin(time_s / rng.uniform(60.0, 300.0))
    return time_s, kelvin_from_celsius(temperature_C + np.where(holds, swing_K, 0.0))


def _only(draws: Draws, member: int) -> Draws:
    """One member's draws by themselves."""
    names = [field.name for field in fields(Draws) if field.name != "canister"]
    chosen = {name: getattr(draws, name)[member : member + 1] for name in names}
    inside = draws.canister
    if inside is not None:
        arrays = {
            field.name: getattr(inside, field.name)[member : member + 1]
            for field in fields(CanisterParameters)
            if field.name != "shape"
        }
        inside = CanisterParameters(shape=inside.shape, **arrays)
    return Draws(**chosen, canister=inside)
