"""Invented oven traces for the tests of everything thermal: a ramp, a hold, a cooling, noise, holes."""

from itertools import pairwise

import numpy as np

from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, CanisterShape, Piece, Shape
from logger.units import FloatArray, kelvin_from_celsius

STRAP = Piece(Shape.PLATE, 0.006, 0.08)


def sheet_inside() -> RunSheet:
    """A strap with the thermocouple beside it."""
    return RunSheet(STRAP)


def sheet_in_oven(outer_m: float = 0.06, shape: CanisterShape = CanisterShape.TUBE) -> RunSheet:
    """A strap in charcoal, the thermocouple in the oven."""
    return RunSheet(STRAP, canister=Canister(sensor="oven", shape=shape, outer_m=outer_m))


def ramp_hold_cool(
    hold_h: float = 3.0,
    to_C: float = 950.0,
    rate_K_per_min: float = 12.0,
    interval_s: float = 10.0,
    noise_K: float = 0.4,
    cooling_s: float = 7200.0,
    cool_h: float = 1.0,
    seed: int = 1,
) -> tuple[FloatArray, FloatArray]:
    """Times [s] and temperatures [K] of a heat: straight ramp from 20 C, hold, exponential cooling to 20 C."""
    ramp_s = (to_C - 20.0) / rate_K_per_min * 60.0
    hold_end_s = ramp_s + hold_h * 3600.0
    t = np.arange(0.0, hold_end_s + cool_h * 3600.0 + 1e-6, interval_s)
    x = np.minimum(20.0 + t * rate_K_per_min / 60.0, to_C)
    after = np.maximum(t - hold_end_s, 0.0)
    x = np.where(after > 0.0, 20.0 + (to_C - 20.0) * np.exp(-after / cooling_s), x)
    return t, kelvin_from_celsius(x) + np.random.default_rng(seed).normal(0.0, noise_K, t.size)


def cut(history: History, cuts: list[int]) -> list[History]:
    """One history in pieces at these reading numbers."""
    edges = [0, *sorted({c % (len(history) + 1) for c in cuts}), len(history)]
    return [history.piece(a, b) for a, b in pairwise(edges)]
