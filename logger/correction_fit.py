"""Fit of a correction: the coefficients move to where prediction and measurement of all coupons agree best.

The carbon solver says what each measurement should have been; the coefficients move within the spread stated beside
each (Gauss-Newton with the stated spreads as prior; A. Tarantola, Inverse Problem Theory, SIAM 2005, 3.2.3, from
memory). What thermocouple, canister and gaps of that run may have done counts as error of the measurement.

    learned = learn(coupons)                       # from everything measured so far
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from logger.correction import LAW, LAW_SPREAD, UNKNOWNS_OF_LOT, UNKNOWNS_OF_RECIPE, Evidence, Learned, Unknown
from logger.coupon import Coupon
from logger.coupon_doubts import what_may_be_wrong
from logger.coupon_prediction import by_the_book, predictions
from logger.errors import Fault, InputFault
from logger.estimate.bands import Band
from logger.units import FloatArray

STEP = 0.5
"""Finite difference of a coefficient [standard deviations]."""

MOST_ROUNDS, SETTLED = 8, 0.02
NORMAL_90 = 1.645
DISAGREES = 3.0
"""A measurement this many standard deviations from what all the others say is left out (our choice: 1 in 370)."""


def learn(coupons: Sequence[Coupon], tell: Callable[[str], None] = lambda words: None) -> Learned:
    """Fit the coefficients to everything measured.

    Parameters
    ----------
    coupons : every coupon so far, at least one
    tell : called with a line of progress before each run is worked through

    Raises   InputFault    a coupon that cannot teach anything
    """
    if not any(coupon.measured for coupon in coupons):
        raise InputFault(Fault("correction", "nothing measured", "at least one measurement on a coupon"))
    names: list[Unknown] = [LAW]
    for coupon in coupons:
        names += [("recipe", coupon.pack.known_as, name) for name in UNKNOWNS_OF_RECIPE]
        names += [("lot", coupon.lot, name) for name in UNKNOWNS_OF_LOT]
    unknowns = tuple(dict.fromkeys(names))
    models = []
    for coupon in coupons:
        tell(f"working through run {coupon.run}")
        models.append(_Model(coupon, unknowns))
    value = np.array([each.value for coupon in coupons for each in coupon.measured])
    error = _joined([model.error for model in models])
    used = np.ones(value.size, dtype=bool)
    mean = np.zeros(len(unknowns))
    prior = _Predicted.of(models, mean)
    predicted = prior
    while True:
        for _ in range(MOST_ROUNDS):
            new = _updated(mean, predicted, value, error, used)
            # A step of more than two spreads leaves what the slopes know of.
            step = np.clip(new - mean, -2.0, 2.0)
            mean = mean + step
            predicted = _Predicted.of(models, mean)
            if float(np.abs(step).max()) < SETTLED:
                break
        from_others = _from_others(mean, predicted, value, error, used)
        worst = int(np.argmax(np.where(used, np.abs(from_others), 0.0)))
        from_prior = _from_prior(prior, value, error)
        if abs(from_others[worst]) <= DISAGREES or not _is_alone(worst, from_others, from_prior, used):
            break
        used[worst] = False
    covariance = _covariance(predicted, error, used)
    before_sd = np.sqrt(np.diag(prior.slopes @ prior.slopes.T + error))
    after_sd = np.sqrt(np.diag(predicted.slopes @ covariance @ predicted.slopes.T))
    evidence, place = [], 0
    for coupon in coupons:
        for measured in coupon.measured:
            before = _band(float(prior.values[place]), float(before_sd[place]))
            after = _band(float(predicted.values[place]), float(after_sd[place]))
            far = abs(from_others[place]) > DISAGREES
            richest = next(model.richest_wt_pct for model, each in zip(models, coupons, strict=True) if each is coupon)
            why = what_may_be_wrong(measured, value[place] - predicted.values[place], richest)
            evidence.append(
                Evidence(
                    coupon.run,
                    coupon.pack.known_as,
                    coupon.lot,
                    measured,
                    before,
                    after,
                    float(from_prior[place]),
                    float(from_others[place]),
                    bool(used[place]),
                    why if far or not used[place] else (),
                )
            )
            place += 1
    return Learned(unknowns, mean, covariance, tuple(evidence))


def _band(middle: float, spread: float) -> Band:
    return middle - NORMAL_90 * spread, middle, middle + NORMAL_90 * spread


def _is_alone(worst: int, from_others: FloatArray, from_prior: FloatArray, used: np.ndarray) -> bool:
    """Whether it is this measurement that is wrong: two that contradict each other accuse each other alike."""
    rest = used.copy()
    rest[worst] = False
    if not rest.any():
        return True
    next_worst = float(np.abs(from_others[rest]).max())
    if rest.sum() >= 2:
        return True
    return next_worst <= DISAGREES or abs(from_prior[worst]) > 1.5 * float(np.abs(from_prior[rest]).max())


def _updated(
    mean: FloatArray, predicted: "_Predicted", value: FloatArray, error: FloatArray, used: np.ndarray
) -> FloatArray:
    """One Gauss-Newton step, in the form that inverts among measurements."""
    J = predicted.slopes[used]
    S = J @ J.T + error[np.ix_(used, used)]
    misfit = value[used] - predicted.values[used] + J @ mean
    return np.asarray(J.T @ np.linalg.solve(S, misfit))


def _covariance(predicted: "_Predicted", error: FloatArray, used: np.ndarray) -> FloatArray:
    J = predicted.slopes[used]
    S = J @ J.T + error[np.ix_(used, used)]
    covariance = np.eye(J.shape[1]) - J.T @ np.linalg.solve(S, J)
    return np.asarray(0.5 * (covariance + covariance.T))


def _from_prior(prior: "_Predicted", value: FloatArray, error: FloatArray) -> FloatArray:
    """How far each measurement lies from the book [standard deviations]."""
    return np.asarray((value - prior.values) / np.sqrt(np.diag(prior.slopes @ prior.slopes.T + error)))


def _from_others(
    mean: FloatArray, predicted: "_Predicted", value: FloatArray, error: FloatArray, used: np.ndarray
) -> FloatArray:
    """How far each lies from what all others that count say [standard deviations], with the slopes of the fit."""
    result = np.zeros(value.size)
    for each in range(value.size):
        others = used.copy()
        others[each] = False
        row = predicted.slopes[each]
        if not others.any():
            told, S = predicted.values[each] - row @ mean, row @ row
            result[each] = (value[each] - told) / np.sqrt(S + error[each, each])
            continue
        new = _updated(mean, predicted, value, error, others)
        told = predicted.values[each] + row @ (new - mean)
        own = row @ _covariance(predicted, error, others) @ row + error[each, each]
        result[each] = (value[each] - told) / np.sqrt(own)
    return result


def _joined(blocks: list[FloatArray]) -> FloatArray:
    size = sum(block.shape[0] for block in blocks)
    result, at = np.zeros((size, size)), 0
    for block in blocks:
        result[at : at + block.shape[0], at : at + block.shape[0]] = block
        at += block.shape[0]
    return result


@dataclass(frozen=True, slots=True, eq=False)
class _Predicted:
    """Predictions of all measurements (k,) and their slopes by the unknowns (k, n)."""

    values: FloatArray
    slopes: FloatArray

    @staticmethod
    def of(models: "Sequence[_Model]", mean: FloatArray) -> "_Predicted":
        parts = [model.at(mean) for model in models]
        return _Predicted(np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts]))


class _Model:
    """One coupon's predictions as a function of the unknowns."""

    def __init__(self, coupon: Coupon, unknowns: tuple[Unknown, ...]) -> None:
        self.coupon = coupon
        place = {unknown: number for number, unknown in enumerate(unknowns)}
        self.onto = np.zeros((4, len(unknowns)))
        wanted: list[Unknown] = [("recipe", coupon.pack.known_as, name) for name in UNKNOWNS_OF_RECIPE]
        wanted += [("lot", coupon.lot, name) for name in UNKNOWNS_OF_LOT]
        for row, unknown in enumerate(wanted):
            self.onto[row, place[unknown]] = 1.0
        self.onto[3, place[LAW]] = LAW_SPREAD
        scattered, self.richest_wt_pct = by_the_book(coupon)
        own = np.diag([measured.spread**2 for measured in coupon.measured])
        self.error = own + np.atleast_2d(np.cov(scattered, rowvar=False))

    def at(self, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Predictions (k,) and slopes (k, n) at values of the unknowns (n,)."""
        own = self.onto @ mean
        rows = np.repeat(own[None, :], 9, axis=0)
        for each in range(4):
            rows[1 + 2 * each, each] += STEP
            rows[2 + 2 * each, each] -= STEP
        found = predictions(self.coupon, rows)
        slopes = (found[1::2] - found[2::2]).T / (2.0 * STEP)
        return found[0], slopes @ self.onto
