"""Lag fit: what one run with two thermocouples, oven and inside, teaches about a canister.

Three factors on the usual coefficients are fitted: how well the pack conducts, how well the wall takes heat from the
oven, how much of the inside is steel. One run tells their combinations better than each of them, so each is also held
by the spread it is known to have; what the run says nothing about stays where it was, with its old spread, and what it
says about combinations is kept as correlations.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import count
from math import exp, inf, sqrt

import numpy as np
from scipy.optimize import least_squares

from logger.errors import Fault, InputFault
from logger.estimate import canister, load_temperature, soak
from logger.estimate.canister import CanisterParameters
from logger.history import History, longest_bridge_s
from logger.sheet import RunSheet
from logger.sheet_parts import CanisterLag
from logger.thermocouple import Thermocouple
from logger.units import FloatArray, kelvin_from_celsius

PRIOR_SPREADS = {"conductivity": 0.5, "exchange": 0.25, "steel": 0.6}
"""Relative spread of each factor before a run: from the coefficients' own spreads and an unknown share of steel."""

COMPARED_EVERY_S = 120.0
INDEPENDENT_S = 1200.0
"""Errors of a model go on for a while: samples closer than this count as one when the spread is worked out."""

MODEL_ERROR_K, MODEL_ERROR_SHARE = 2.0, 0.06
"""A lumped canister is trusted to these kelvin plus this share of the distance between oven and steel (our choice):
the last kelvin decide when a soak begins, so they weigh most."""

LEAST_RISE_K = 200.0
RUN_TO_RUN = 0.05
"""No two packings are alike: conductivity varies by this from run to run whatever one run said (our choice)."""
TRANSFORMS_FROM_K, TRANSFORMS_TO_K = kelvin_from_celsius(690.0), kelvin_from_celsius(790.0)


@dataclass(frozen=True, slots=True)
class Arrest:
    """The steel's own halt at its transformation on heating: where it rose slowest, and to which share of its pace."""

    time_s: float
    temperature_K: float
    pace: float


@dataclass(frozen=True, slots=True, eq=False)
class Miss:
    """What a canister's model misses of the inner trace: ``model_K`` (n,) [K], its rms and worst miss [K], and the
    time at heat inside it comes to [s]."""

    model_K: FloatArray
    rms_K: float
    worst_K: float
    at_heat_s: float


@dataclass(frozen=True, slots=True, eq=False)
class LagFit:
    """A proposal for the canister.

    ``lag``: factors with spreads; ``time_s`` (n,), ``inside_K`` (n,) the inner trace it was fitted to, with
    ``at_heat_s`` [s] of it; ``fitted`` what the proposal misses, ``before`` what the sheet as it stands misses (with
    the usual coefficients, or the lag it has); ``arrest`` the halt near 727 C if the inner trace shows one.
    """

    lag: CanisterLag
    time_s: FloatArray
    inside_K: FloatArray
    at_heat_s: float
    fitted: Miss
    before: Miss
    arrest: Arrest | None


def fit(
    oven: History,
    inside: History,
    sheet: RunSheet,
    oven_thermocouple: Thermocouple | None = None,
    inside_thermocouple: Thermocouple | None = None,
    on_trial: Callable[[int], None] = lambda number: None,
) -> LagFit:
    """Fit a canister's lag to one run logged with both thermocouples.

    Parameters
    ----------
    oven, inside : History                 the two channels, on one run's clock [s], [K]
    sheet : RunSheet                       canister (with its size) and piece; a lag it already has is only compared
    oven_thermocouple, inside_thermocouple : what they are; None: a type K without correction
    on_trial : called with the number of each trial, for whoever waits

    Returns    LagFit
    Raises     InputFault                  no canister size, too few common readings, a load that was not heated
    """
    if sheet.canister.outer_m is None:
        raise InputFault(Fault("canister.outer", "nothing", "the canister's outer size"))
    present = replace(sheet, canister=replace(sheet.canister, sensor="oven"))
    plain = replace(present, canister=replace(present.canister, lag=None))
    if inside_thermocouple is not None:
        inside = replace(inside, temperature_K=inside_thermocouple.correction.corrected_K(inside.temperature_K))
    time_s, inside_K = _inside(oven, inside)
    usual = canister.nominal_canister(plain)
    trials = count(1)

    def steel_of(parameters: CanisterParameters) -> FloatArray:
        """Steel temperature (members, n) [K] of canisters."""
        on_trial(next(trials))
        problem = load_temperature.problem_from_sheet(plain, thermocouple=oven_thermocouple, parameters=parameters)
        state, samples = load_temperature.advance(problem, load_temperature.begin(problem), oven)
        tail = load_temperature.at_end(problem, state).tail
        at_s = np.concatenate([samples.time_s, tail.time_s])
        steel = np.concatenate([samples.temperature_K, tail.temperature_K], axis=1)
        return np.array([np.interp(time_s, at_s, row) for row in steel], dtype=np.float64)

    def model(factors: FloatArray) -> FloatArray:
        """Steel temperature (members, n) [K] of canisters with log factors (members, 3)."""
        return steel_of(with_factors(usual, np.exp(factors)))

    # Samples that go on agreeing or missing together are worth one: weigh the run by its independent pieces.
    oven_K = np.interp(time_s, oven.time_s[oven.good], oven.temperature_K[oven.good])
    distance_K = np.abs(oven_K - inside_K)
    weight = sqrt(COMPARED_EVERY_S / INDEPENDENT_S) / (MODEL_ERROR_K + MODEL_ERROR_SHARE * distance_K)
    prior = np.array(list(PRIOR_SPREADS.values()))

    def misses(factors: FloatArray) -> FloatArray:
        missed = (model(factors[None, :])[0] - inside_K) * weight
        return np.asarray(np.concatenate([missed, factors / prior]))

    def slopes(factors: FloatArray) -> FloatArray:
        nudge = 0.02
        moved = model(np.concatenate([factors + nudge * np.eye(3), factors - nudge * np.eye(3)]))
        return np.concatenate([(moved[:3] - moved[3:]).T * (weight / (2.0 * nudge))[:, None], np.diag(1.0 / prior)])

    found = least_squares(misses, np.zeros(3), slopes, bounds=(-2.0, 2.0), x_scale=prior, xtol=1e-3, ftol=1e-4)
    J = slopes(found.x)
    model_K = model(found.x[None, :])[0]
    # Where the model misses by more than it was trusted to, its factors are worth less too.
    excess = float(np.sqrt(np.mean(((model_K - inside_K) * weight) ** 2) * INDEPENDENT_S / COMPARED_EVERY_S))
    covariance = np.linalg.inv(J.T @ J) * max(1.0, excess) ** 2
    covariance[0, 0] += RUN_TO_RUN**2
    spread = np.sqrt(np.diag(covariance))
    together = covariance / np.outer(spread, spread)
    names = list(PRIOR_SPREADS)
    lag = CanisterLag(
        **{name: exp(float(value)) for name, value in zip(names, found.x, strict=True)},
        **{f"{name}_spread": float(value) for name, value in zip(names, spread, strict=True)},
        correlation=(float(together[0, 1]), float(together[0, 2]), float(together[1, 2])),
    )
    before_K = steel_of(canister.nominal_canister(present))[0]
    at_heat_s = _at_heat_s(sheet, time_s, oven_K, np.stack([inside_K, model_K, before_K]))
    return LagFit(
        lag=lag,
        time_s=time_s,
        inside_K=inside_K,
        at_heat_s=at_heat_s[0],
        fitted=_miss(model_K, inside_K, at_heat_s[1]),
        before=_miss(before_K, inside_K, at_heat_s[2]),
        arrest=arrest_on_heating(inside),
    )


def _miss(model_K: FloatArray, inside_K: FloatArray, at_heat_s: float) -> Miss:
    miss_K = model_K - inside_K
    return Miss(model_K, float(np.sqrt(np.mean(miss_K**2))), float(np.abs(miss_K).max()), at_heat_s)


def _at_heat_s(sheet: RunSheet, time_s: FloatArray, oven_K: FloatArray, inside_K: FloatArray) -> list[float]:
    """Time at heat [s] of inner traces (rows, n) [K], by the sheet's soak rule and the oven's holds."""
    rule, total = sheet.soak, np.zeros(inside_K.shape[0])
    for middle_K in soak.band_middles_K(rule, time_s, oven_K):
        total += soak.soaked_s(time_s, inside_K, middle_K - rule.half_band_K, middle_K + rule.half_band_K)
    return [float(one) for one in total]


def with_factors(parameters: CanisterParameters, factors: FloatArray) -> CanisterParameters:
    """One canister with factors (members, 3) on conductivity, exchange and steel: as many canisters."""
    many = canister.repeated(parameters, factors.shape[0])
    conductivity, exchange, steel = factors.T
    return replace(
        many,
        contact_W_per_m_K=many.contact_W_per_m_K * conductivity,
        radiation_length_m=many.radiation_length_m * conductivity,
        convection_W_per_m2_K=many.convection_W_per_m2_K * exchange,
        emissivity=many.emissivity * exchange,
        steel_fraction=np.minimum(many.steel_fraction * steel, canister.MOST_FITTED_STEEL),
    )


def _inside(oven: History, inside: History) -> tuple[FloatArray, FloatArray]:
    """Times [s] to compare at, and the inner temperature there [K]: no nearer to a gap of either than a bridge."""
    where = f"channels {oven.channel} and {inside.channel}"
    if not oven.good.any() or not inside.good.any():
        raise InputFault(Fault(where, "no good readings", "both channels logged through one heat"))
    t, x = inside.time_s[inside.good], inside.temperature_K[inside.good]
    t_oven = oven.time_s[oven.good]
    start_s, end_s = max(t[0], t_oven[0]), min(t[-1], t_oven[-1])
    grid = np.arange(start_s, end_s, COMPARED_EVERY_S)
    near = _nearest_s(grid, t) < longest_bridge_s(inside.interval_s)
    grid = grid[near]
    if grid.size < 20:
        raise InputFault(Fault(where, f"{grid.size} common readings two minutes apart", "at least 20"))
    inside_K = np.interp(grid, t, x)
    if np.ptp(inside_K) < LEAST_RISE_K:
        found = f"{np.ptp(inside_K):.0f} K between coldest and hottest inside"
        raise InputFault(Fault(where, found, f"a heat of at least {LEAST_RISE_K:.0f} K"))
    return grid, inside_K


def _nearest_s(at_s: FloatArray, time_s: FloatArray) -> FloatArray:
    """Distance of each time to the nearest reading [s]."""
    after = np.minimum(np.searchsorted(time_s, at_s), time_s.size - 1)
    before = np.maximum(after - 1, 0)
    return np.asarray(np.minimum(np.abs(time_s[after] - at_s), np.abs(at_s - time_s[before])))


def arrest_on_heating(inside: History) -> Arrest | None:
    """Where an inner trace halts at the steel's transformation on its first way up, if it does.

    A check on the inner thermocouple and on its place: a couple that touches the steel shows the halt at 727 to 750 C.

    Parameters
    ----------
    inside : History                       the inner channel

    Returns    Arrest, or None             where the rise never slows by a quarter between 690 and 790 C
    Source     eutectoid temperature 727 C of the iron-carbon system; halts on heating: common practice, no source
    """
    t, x = inside.time_s[inside.good], inside.temperature_K[inside.good]
    if t.size < 20 or x.max() < TRANSFORMS_TO_K + 20.0:
        return None
    grid = np.arange(t[0], t[int(np.argmax(x >= TRANSFORMS_TO_K + 20.0))] + 1.0, 30.0)
    if grid.size < 20:
        return None
    smooth = np.convolve(np.interp(grid, t, x), np.ones(5) / 5.0, mode="valid")
    grid = grid[2:-2]
    rate = np.gradient(smooth, grid)
    within = np.flatnonzero((smooth > TRANSFORMS_FROM_K) & (smooth < TRANSFORMS_TO_K))
    beside = ((smooth > TRANSFORMS_FROM_K - 60.0) & (smooth < TRANSFORMS_FROM_K)) | (smooth >= TRANSFORMS_TO_K)
    if not within.size or not beside.any():
        return None
    slowest = int(within[np.argmin(rate[within])])
    usual = float(np.median(rate[beside]))
    pace = float(rate[slowest]) / usual if usual > 0.0 else inf
    return Arrest(float(grid[slowest]), float(smooth[slowest]), pace) if pace < 0.75 else None
