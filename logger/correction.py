"""Correction: what measured coupons teach of a pack recipe and of a lot of iron.

A coupon lay in the pack of a recorded run and was weighed, etched, hardness-tested or analysed. The carbon solver says
what it should have been; the coefficients move, within the spread stated beside each, to where prediction and
measurement agree best (Gauss-Newton with the stated spreads as prior; A. Tarantola, Inverse Problem Theory, SIAM 2005,
3.2.3, from memory). What thermocouple, canister and gaps of that run may have done counts as error of the measurement.

    learned = learn(coupons)                       # from everything measured so far
    correction = learned.for_sheet(sheet)          # what of it concerns this run; None: nothing

Unknowns, each in standard deviations of its stated spread: activity and mass transfer of each recipe, carbon and
diffusivity of each lot of iron, and how the diffusivity law errs for all of them alike.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf, isfinite, isnan
from typing import Any

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate import canister, uncertainty
from logger.estimate.bands import Band
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.hardening import section_hardness
from logger.estimate.uncertainty import Draws, Economy
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_limits import HIGHEST_CARBON_WT_PCT
from logger.sheet_parts import Correction, Pack, Piece, Shape
from logger.steel.carbon_diffusion import DIFFUSIVITY_FACTOR_SPREAD, PUBLISHED_LAWS
from logger.steel.martensite import MOST_CARBON_WT_PCT
from logger.thermocouple import Thermocouple
from logger.units import FloatArray

STEP = 0.5
"""Finite difference of a coefficient [standard deviations]."""

MOST_ROUNDS, SETTLED = 8, 0.02
NUISANCE_MEMBERS = 24
NORMAL_90 = 1.645
DISAGREES = 3.0
"""A measurement this many standard deviations from what all the others say is left out (our choice: 1 in 370)."""

SAMPLE_M = 1e-4
"""Thickness of steel a carbon analysis at a depth is taken over [m] (our choice: a fine cut or a spark burn)."""

COARSE = Economy(step_tolerance_wt_pct=1e-3, thin_s=30.0)

LAW_SPREAD = float(
    np.sqrt(
        np.mean(
            [
                np.log(law.at(np.array([1223.15]), np.array([0.6]))[0] / PUBLISHED_LAWS[0].at(
                    np.array([1223.15]), np.array([0.6])
                )[0]) ** 2
                for law in PUBLISHED_LAWS
            ]
        )
    )
    / np.log1p(DIFFUSIVITY_FACTOR_SPREAD)
)  # fmt: skip
"""How far the published laws lie from the nominal one at 950 C and 0.6 % C, in the spread of a lot's own factor [-]."""


class Kind(StrEnum):
    """What was measured."""

    WEIGHT = "weight"  # gain per area [kg/m2]
    DEPTH = "depth"  # etched case depth [m], with its criterion
    HARDNESS = "hardness"  # HRC at a depth, after a quench from a temperature
    CARBON = "carbon"  # wt% at a depth
    MEAN_CARBON = "mean carbon"  # wt% of all of it


class Criterion(StrEnum):
    """What an etched or read case depth is measured to."""

    TO_CARBON = "to a carbon"  # Measured.at_carbon_wt_pct
    CORE_004 = "core + 0.04 %"  # total case, SAE J423
    CORE_007 = "core + 0.07 %"  # total case as Harris counts it


USUAL_SPREAD = {
    Kind.WEIGHT: "0.01 g on the scale, and 2 % for the area",
    Kind.DEPTH: "0.05 mm, or 7 % if that is more",
    Kind.HARDNESS: "1.5 HRC, and 1.5 HRC for what carbon says of hardness",
    Kind.CARBON: "0.03 % C",
    Kind.MEAN_CARBON: "0.02 % C",
}
"""One-sigma errors where none is stated (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One measurement on a coupon.

    ``value`` and ``spread`` (one sigma) in the kind's own unit: weight gain per area [kg/m2], depth [m], HRC, wt%.
    ``depth_m`` below the face for a hardness or a carbon; ``quenched_from_K`` for a hardness.
    """

    id: str
    kind: Kind
    value: float
    spread: float
    criterion: Criterion | None = None
    at_carbon_wt_pct: float | None = None
    depth_m: float = 0.0
    quenched_from_K: float | None = None
    words: str = ""

    def __post_init__(self) -> None:
        for fault in _faults(self):
            raise InputFault(fault)


def _faults(measured: Measured) -> list[Fault]:
    kind, value = measured.kind, measured.value
    if not (isfinite(measured.spread) and measured.spread > 0.0):
        return [Fault(f"{kind}, accuracy", f"{measured.spread:g}", "more than 0")]
    if kind is Kind.WEIGHT and not 0.0 < value < 10.0:
        found = f"{1e3 * value:.3g} g/m2" if isfinite(value) else "no number"
        why = "more than 0: a coupon that got lighter lost scale or carbon, and says nothing of the pack"
        return [Fault("weight gain", found, why)]
    if kind is Kind.DEPTH:
        if measured.criterion is None:
            return [Fault("depth", "no criterion", "what it was measured to: a carbon, core + 0.04 % or core + 0.07 %")]
        if measured.criterion is Criterion.TO_CARBON and measured.at_carbon_wt_pct is None:
            return [Fault("depth", "no carbon it was measured to", "such as 0.40 %")]
        if not 0.0 < value < 0.1:
            return [Fault("depth", f"{1e3 * value:.3g} mm", "more than 0, less than 100 mm")]
    if kind is Kind.HARDNESS:
        if measured.quenched_from_K is None:
            return [Fault("hardness", "no temperature it was quenched from", "that temperature")]
        if not 20.0 <= value <= 70.0:
            return [Fault("hardness", f"{value:g} HRC", "20 to 70 HRC")]
    if kind in (Kind.CARBON, Kind.MEAN_CARBON) and not 0.0 <= value <= 6.67:
        return [Fault("carbon", f"{value:g} %", "0 to 6.67 %")]
    return []


@dataclass(frozen=True, slots=True, eq=False)
class Coupon:
    """A coupon of a recorded run: its steel, what the run was, what was measured on it.

    run : id of the run
    sheet, history, thermocouple : that run's
    piece : the coupon: a plate of a thickness, carbon, alloy, iron lot
    measured : what was found
    """

    run: str
    sheet: RunSheet
    history: History
    thermocouple: Thermocouple | None
    piece: Piece
    measured: tuple[Measured, ...]

    @property
    def pack(self) -> Pack:
        """The pack it lay in.

        Raises   InputFault    none, or one whose coefficients are stated and cannot be learned
        """
        pack = self.sheet.pack
        if pack is None or not pack.recipe or not _by_the_book(pack):
            found = "none" if pack is None or not pack.recipe else f'"{pack.recipe}" with its numbers stated'
            expected = "a sheet that names a recipe and leaves its numbers to it: those are what is learned"
            raise InputFault(Fault(f"run {self.run}, pack", found, expected))
        return pack

    @property
    def lot(self) -> str:
        """Its lot of iron; a coupon without one is a lot of its own."""
        return self.piece.iron_lot or f"coupon of run {self.run}"


def _by_the_book(pack: Pack) -> bool:
    return (pack.carbon_activity, pack.carbon_potential_wt_pct, pack.mass_transfer_m_per_s) == (None, None, None)


def coupon_piece(sheet: RunSheet, thickness_m: float, carbon_wt_pct: float, lot: str, alloy: dict[str, float]) -> Piece:
    """A coupon as a piece.

    Parameters
    ----------
    sheet : of the run it lay in
    thickness_m : its thickness [m]
    carbon_wt_pct : its carbon before [wt%]
    lot : its lot of iron; empty: of its own
    alloy : what is known of the rest [wt%]

    Raises   InputFault    a size or a carbon no coupon has
    """
    piece = Piece(Shape.PLATE, thickness_m, carbon_wt_pct, alloy, iron_lot=lot)
    if not 0.0 <= carbon_wt_pct <= HIGHEST_CARBON_WT_PCT:
        raise InputFault(Fault("coupon, carbon", f"{carbon_wt_pct:g} %", f"0 to {HIGHEST_CARBON_WT_PCT:g} %"))
    replace(sheet, piece=piece, targets=(), correction=None)  # refuses what no sheet can have
    return piece


# What was learned

UNKNOWNS_OF_RECIPE = ("activity", "transfer")
UNKNOWNS_OF_LOT = ("start carbon", "diffusivity")
LAW = ("law", "", "diffusivity")

Unknown = tuple[str, str, str]
"""What one coefficient is of: "recipe", "lot" or "law"; its name; which one."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One measurement and what it did: prediction before and after with 90 % bands, in the measurement's unit.

    ``from_prior``, ``from_others`` : how far it lies from the prediction by the book, and from what all other
    measurements say [standard deviations]; ``used`` : whether it counted; ``why`` : what may be wrong with it.
    """

    run: str
    recipe: str
    lot: str
    measured: Measured
    before: Band
    after: Band
    from_prior: float
    from_others: float
    used: bool
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Everything learned so far: ``mean`` (n,) and ``covariance`` (n, n) of the ``unknowns``, and the evidence."""

    unknowns: tuple[Unknown, ...]
    mean: FloatArray
    covariance: FloatArray
    evidence: tuple[Evidence, ...]

    @property
    def recipes(self) -> tuple[str, ...]:
        """Recipes something is known of."""
        return tuple(dict.fromkeys(name for kind, name, _ in self.unknowns if kind == "recipe"))

    @property
    def lots(self) -> tuple[str, ...]:
        """Lots of iron something is known of."""
        return tuple(dict.fromkeys(name for kind, name, _ in self.unknowns if kind == "lot"))

    def for_sheet(self, sheet: RunSheet, id: str = "") -> Correction | None:
        """What concerns a run of this sheet; None where nothing does."""
        packs = [pack for pack in (sheet.pack, *(stage.pack for stage in sheet.stages)) if pack is not None]
        recipes = {pack.recipe for pack in packs}
        recipe = packs[0].recipe if len(recipes) == 1 and all(_by_the_book(pack) for pack in packs) else ""
        return self.for_names(recipe, sheet.piece.iron_lot, id)

    def for_names(self, recipe: str, lot: str, id: str = "") -> Correction | None:
        """What concerns a recipe and a lot of iron, either of which may be empty; None where nothing does."""
        recipe, lot = (name if name in known else "" for name, known in ((recipe, self.recipes), (lot, self.lots)))
        if not recipe and not lot:
            return None
        place = {unknown: number for number, unknown in enumerate(self.unknowns)}
        onto = np.zeros((4, len(self.unknowns)))
        own = np.zeros(4)  # variance of what nothing is known of
        wanted: list[Unknown] = [("recipe", recipe, name) for name in UNKNOWNS_OF_RECIPE]
        wanted += [("lot", lot, name) for name in UNKNOWNS_OF_LOT]
        for row, unknown in enumerate(wanted):
            if unknown in place:
                onto[row, place[unknown]] = 1.0
            else:
                own[row] = 1.0
        onto[3, place[LAW]] = LAW_SPREAD
        mean, covariance = onto @ self.mean, onto @ self.covariance @ onto.T + np.diag(own)
        evidence = tuple(
            _evidence_words(each)
            for each in self.evidence
            if each.used and ((recipe and each.recipe == recipe) or (lot and each.lot == lot))
        )
        return Correction(recipe, lot, _numbers(mean), tuple(_numbers(row) for row in covariance), evidence, id)


def _numbers(values: FloatArray) -> tuple[float, float, float, float]:
    a, b, c, d = (float(value) for value in values)
    return a, b, c, d


def _evidence_words(evidence: Evidence) -> str:
    return f"{evidence.measured.words or evidence.measured.kind} (run {evidence.run})"


# Learning


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
        names += [("recipe", coupon.pack.recipe, name) for name in UNKNOWNS_OF_RECIPE]
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
            why = _why(measured, value[place] - predicted.values[place], richest)
            evidence.append(
                Evidence(
                    coupon.run,
                    coupon.pack.recipe,
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
        self.sheet = coupon_sheet(coupon)
        place = {unknown: number for number, unknown in enumerate(unknowns)}
        self.onto = np.zeros((4, len(unknowns)))
        wanted: list[Unknown] = [("recipe", coupon.pack.recipe, name) for name in UNKNOWNS_OF_RECIPE]
        wanted += [("lot", coupon.lot, name) for name in UNKNOWNS_OF_LOT]
        for row, unknown in enumerate(wanted):
            self.onto[row, place[unknown]] = 1.0
        self.onto[3, place[LAW]] = LAW_SPREAD
        scattered, self.richest_wt_pct = self._nuisance()
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

    def _nuisance(self) -> tuple[FloatArray, float]:
        """Predictions by the book under what thermocouple, canister and gaps may have done, (members, k)."""
        known = self.coupon.sheet.thermocouple or self.coupon.thermocouple or Thermocouple()
        drawn = uncertainty.draw(self.sheet, known, NUISANCE_MEMBERS)
        nothing = np.zeros(NUISANCE_MEMBERS)
        drawn = replace(
            drawn,
            activity=nothing,
            potential=nothing,
            transfer=nothing,
            diffusivity=nothing,
            start_carbon=nothing,
            law=np.zeros(NUISANCE_MEMBERS, dtype=np.int64),
        )
        carbon = _carbon(self.coupon, self.sheet, drawn)
        return _measured_on(self.coupon, carbon), float(carbon.carbon_wt_pct[0].max())


def coupon_sheet(coupon: Coupon) -> RunSheet:
    """The sheet of a coupon's run with the coupon on it, by the book."""
    return replace(coupon.sheet, piece=coupon.piece, targets=(), correction=None)


def predictions(coupon: Coupon, coefficients: FloatArray, reading_error: FloatArray | None = None) -> FloatArray:
    """What each measurement should have been, (members, k), each in its own unit.

    Parameters
    ----------
    coupon : the coupon
    coefficients : array, (members, 4)     activity, transfer, start carbon, diffusivity [standard deviations]
    reading_error : array, (members,)      of the thermocouple [tolerances]; None: none
    """
    sheet = coupon_sheet(coupon)
    members = coefficients.shape[0]
    known = coupon.sheet.thermocouple or coupon.thermocouple or Thermocouple()
    nominal = uncertainty.draw(sheet, known, 1)
    nothing = np.zeros(members)
    drawn = Draws(
        reading_error=nothing if reading_error is None else reading_error,
        gap_position=nothing,
        activity=coefficients[:, 0],
        potential=nothing,
        transfer=coefficients[:, 1],
        diffusivity=coefficients[:, 3],
        law=np.zeros(members, dtype=np.int64),
        start_carbon=coefficients[:, 2],
        tempering_constant=nothing,
        hardness=nothing,
        martensite_start=nothing,
        quenched_hardness=nothing,
        canister=None if nominal.canister is None else canister.repeated(nominal.canister, members),
    )
    return _measured_on(coupon, _carbon(coupon, sheet, drawn))


def _carbon(coupon: Coupon, sheet: RunSheet, drawn: Draws) -> CarbonMembers:
    known = coupon.sheet.thermocouple or coupon.thermocouple
    problem = uncertainty.problem_from_sheet(sheet, known, economy=COARSE, draws=drawn)
    state = uncertainty.advance(problem, uncertainty.begin(problem), coupon.history)
    return uncertainty.at_end(problem, state, with_soak=False).carbon


def _measured_on(coupon: Coupon, carbon: CarbonMembers) -> FloatArray:
    return np.stack([_one(coupon, measured, carbon) for measured in coupon.measured], axis=1)


def _one(coupon: Coupon, measured: Measured, carbon: CarbonMembers) -> FloatArray:
    """One measurement as every member would have it, (m,)."""
    match measured.kind:
        case Kind.WEIGHT:
            return carbon.gain_kg_per_m2
        case Kind.MEAN_CARBON:
            return carbon.mean_wt_pct
        case Kind.DEPTH:
            if measured.criterion is Criterion.TO_CARBON:
                return carbon.case_depth_m(measured.at_carbon_wt_pct or 0.0)
            more = 0.04 if measured.criterion is Criterion.CORE_004 else 0.07
            return carbon.case_depth_m(carbon.start_wt_pct + more)
    depth_m = min(measured.depth_m, coupon.piece.size_m - measured.depth_m)
    if measured.kind is Kind.CARBON:
        # A sample has a thickness: the mean over it, not a point, and never the face's own last moment.
        across = np.linspace(max(depth_m - SAMPLE_M / 2.0, 0.0), depth_m + SAMPLE_M / 2.0, 11)
        return np.array([np.interp(across, carbon.depth_m, row).mean() for row in carbon.carbon_wt_pct])
    at = np.array([np.interp(depth_m, carbon.depth_m, row) for row in carbon.carbon_wt_pct])
    return hardness_of_HRC(at, coupon.piece.alloy_wt_pct, measured.quenched_from_K or inf)


def hardness_of_HRC(carbon_wt_pct: FloatArray, alloy_wt_pct: dict[str, float], quenched_from_K: float) -> FloatArray:
    """Hardness [HRC] as quenched of steel of several carbons, (m,); 20 where it is off the scale.

    Parameters
    ----------
    carbon_wt_pct : array, (m,)     carbon [wt%]
    alloy_wt_pct : mapping          the rest [wt%]
    quenched_from_K : temperature of the steel just before the quench [K]
    """
    order = np.argsort(carbon_wt_pct)
    shown = np.minimum(carbon_wt_pct[order], MOST_CARBON_WT_PCT)
    place = np.arange(shown.size, dtype=float)
    found = section_hardness(place, shown, alloy_wt_pct, quenched_from_K).hardness_HRC
    result = np.empty(shown.size)
    result[order] = np.where(np.isfinite(found), found, 20.0)
    return result


# Why a measurement may be wrong

RICH_WT_PCT = 0.85


def _why(measured: Measured, misfit: float, richest_wt_pct: float) -> tuple[str, ...]:
    """What may be wrong with a measurement that disagrees with everything (common practice, no source)."""
    if isnan(misfit):
        return ("nothing is reckoned for it",)
    high = misfit > 0.0
    match measured.kind:
        case Kind.WEIGHT if high:
            return (
                "scale or stuck charcoal still on it: scale is oxygen and weighs",
                "the area counted too small, or the two weights swapped with another coupon's",
            )
        case Kind.WEIGHT:
            return (
                "scale flaked or was pickled off, and iron with it",
                "it lost carbon to the air while it was opened hot",
                "the pack had shrunk away from it: carbon came through part of its faces only",
            )
        case Kind.DEPTH if high:
            return (
                "the whole dark band was read, which is nearer to core + 0.04 % than to a higher carbon",
                "etched too long, or cut aslant",
            )
        case Kind.DEPTH:
            return (
                "a higher carbon was read as the end of the case than the criterion says",
                "a decarburized skin was ground or scaled away before it was cut",
            )
        case Kind.HARDNESS if high:
            return ("another depth than stated", "the tester reads high: try it on a test block")
        case Kind.HARDNESS:
            kept = (f"soft for retained austenite: about {richest_wt_pct:.1f} % C is reckoned where it is richest",)
            return (
                *(kept if richest_wt_pct > RICH_WT_PCT else ()),
                "a decarburized skin: grind 0.1 to 0.2 mm deeper and test again",
                "quenched too slowly or from too low",
                "scale under the penetrator, or a spot too near to the edge",
            )
        case _ if high:
            return ("soot, charcoal or cast-iron skin in the sample", "taken nearer to the face than stated")
        case _:
            return ("decarburized before the sample was taken", "taken deeper than stated")


def plain(learned: Learned) -> dict[str, Any]:
    """What was learned as plain values, to be kept and read back by `from_plain`; the evidence in words and numbers."""
    return {
        "unknowns": [list(unknown) for unknown in learned.unknowns],
        "mean": learned.mean.tolist(),
        "covariance": learned.covariance.tolist(),
        "evidence": [
            {
                "run": each.run,
                "recipe": each.recipe,
                "lot": each.lot,
                "measurement": each.measured.id,
                "kind": str(each.measured.kind),
                "value": each.measured.value,
                "spread": each.measured.spread,
                "words": each.measured.words,
                "before": list(each.before),
                "after": list(each.after),
                "used": each.used,
            }
            for each in learned.evidence
        ],
    }


def from_plain(kept: dict[str, Any]) -> Learned:
    """What `plain` kept. Raises InputFault where it is not that."""
    try:
        unknowns = tuple((str(kind), str(name), str(which)) for kind, name, which in kept["unknowns"])
        mean, covariance = np.array(kept["mean"], dtype=float), np.array(kept["covariance"], dtype=float)
        evidence = tuple(
            Evidence(
                str(each["run"]),
                str(each["recipe"]),
                str(each["lot"]),
                Measured(
                    str(each["measurement"]),
                    Kind.MEAN_CARBON,
                    0.0,
                    1.0,
                    words=str(each["words"]) or str(each["kind"]),
                ),
                (each["before"][0], each["before"][1], each["before"][2]),
                (each["after"][0], each["after"][1], each["after"][2]),
                0.0,
                0.0,
                bool(each["used"]),
            )
            for each in kept["evidence"]
        )
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise InputFault(Fault("correction in the record", str(error), "one this version can read")) from None
    size = len(unknowns)
    if mean.shape != (size,) or covariance.shape != (size, size) or LAW not in unknowns:
        raise InputFault(Fault("correction in the record", f"{mean.size} numbers", f"{size}, one for each coefficient"))
    return Learned(unknowns, mean, covariance, evidence)
