"""Coupons of an invented shop with hidden coefficients, drawn from the stated spreads, measured with stated noise."""

from dataclasses import replace

import numpy as np

from logger.correction import LAW, LAW_SPREAD, Learned
from logger.coupon import Coupon, Criterion, Kind, Measured, coupon_piece
from logger.coupon_prediction import predictions
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Pack, Piece, Shape
from logger.units import kelvin_from_celsius

RECIPE = "energised charcoal"
SHEET = RunSheet(Piece(Shape.PLATE, 0.006, 0.05, iron_lot="door"), Pack(RECIPE))


def history(temperature_C: float, hours: float) -> History:
    end_s = 3600.0 * hours
    time_s = np.arange(0.0, end_s + 3600.0, 120.0)
    heat_K = kelvin_from_celsius(temperature_C)
    temperature_K = np.interp(time_s, [0.0, 1800.0, end_s, end_s + 3600.0], [300.0, heat_K, heat_K, 600.0])
    return History("load", time_s, temperature_K, 120.0)


def coupon(
    *measured: Measured, lot: str = "", carbon_wt_pct: float = 0.10, thickness_m: float = 0.003, run: str = "a",
    temperature_C: float = 930.0, hours: float = 5.0, sheet: RunSheet = SHEET,
) -> Coupon:  # fmt: skip
    piece = coupon_piece(sheet, thickness_m, carbon_wt_pct, lot, {})
    return Coupon(run, sheet, history(temperature_C, hours), None, piece, measured)


def weight(kg_per_m2: float, spread: float = 1.0e-3) -> Measured:
    return Measured("weight", Kind.WEIGHT, kg_per_m2, spread)


def depth(depth_m: float, spread: float = 5e-5) -> Measured:
    return Measured("depth", Kind.DEPTH, depth_m, spread, Criterion.TO_CARBON, 0.40)


def thin_carbon(wt_pct: float, spread: float = 0.02) -> Measured:
    return Measured("foil", Kind.MEAN_CARBON, wt_pct, spread)


def by_the_book(one: Coupon) -> np.ndarray:
    return predictions(one, np.zeros((1, 4)))[0]


def simulated(seed: int) -> tuple[tuple[Coupon, ...], dict[tuple[str, str, str], float]]:
    """Coupons of two runs with hidden coefficients, a hidden thermocouple error each, and noise as stated."""
    rng = np.random.default_rng([seed, 77])
    plan = [
        coupon(weight(0.05), depth(8e-4), lot="door", carbon_wt_pct=0.05),
        coupon(thin_carbon(1.0), weight(0.02, 5e-4), lot="mild", thickness_m=4e-4, run="b", hours=3.0),
    ]
    hidden = {
        LAW: float(rng.normal()),
        **{("recipe", RECIPE, name): float(rng.normal()) for name in ("activity", "transfer")},
        **{
            ("lot", lot, name): float(rng.normal())
            for lot in ("door", "mild")
            for name in ("start carbon", "diffusivity")
        },
    }
    made = []
    for one in plan:
        own = [hidden["recipe", RECIPE, "activity"], hidden["recipe", RECIPE, "transfer"]]
        own += [hidden["lot", one.lot, "start carbon"]]
        own += [hidden["lot", one.lot, "diffusivity"] + LAW_SPREAD * hidden[LAW]]
        truth = predictions(one, np.array([own]), rng.uniform(-1.0, 1.0, 1))[0]
        found = tuple(
            replace(each, value=max(float(value + each.spread * rng.normal()), 1e-6))
            for each, value in zip(one.measured, truth, strict=True)
        )
        made.append(replace(one, measured=found))
    return tuple(made), hidden


def inside(learned: Learned, hidden: dict[tuple[str, str, str], float]) -> list[bool]:
    """Which hidden coefficients lie inside the 90 % band."""
    spread = np.sqrt(np.diag(learned.covariance))
    return [
        abs(hidden[unknown] - mean) <= 1.645 * sd
        for unknown, mean, sd in zip(learned.unknowns, learned.mean, spread, strict=True)
    ]
