"""Correction: what was learned from measured coupons of a pack recipe and of a lot of iron.

    correction = learned.for_sheet(sheet)          # what of it concerns this run; None: nothing

Unknowns, each in standard deviations of its stated spread: activity and mass transfer of each recipe, carbon and
diffusivity of each lot of iron, and how the diffusivity law errs for all of them alike. `logger.correction_fit` finds
them.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.coupon import Kind, Measured, by_the_recipe
from logger.errors import Fault, InputFault
from logger.estimate.bands import Band
from logger.sheet import RunSheet
from logger.sheet_parts import Correction, recipe_of
from logger.steel.carbon_diffusion import DIFFUSIVITY_FACTOR_SPREAD, PUBLISHED_LAWS
from logger.units import FloatArray

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
        recipes = {pack.known_as for pack in packs}
        recipe = packs[0].known_as if len(recipes) == 1 and all(by_the_recipe(pack) for pack in packs) else ""
        return self.for_names(recipe, sheet.piece.iron_lot, id)

    def for_names(self, recipe: str, lot: str, id: str = "") -> Correction | None:
        """What concerns a recipe and a lot of iron, either of which may be empty; None where nothing does.

        ``recipe`` as `Pack.known_as` says it; of a lot of it that nothing is known of, what is known of the recipe
        without a lot counts.
        """
        if recipe not in self.recipes:
            recipe = recipe_of(recipe)
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
