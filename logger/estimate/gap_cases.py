"""Gap cases: what a run comes to if the oven was off while nobody looked, and if it was kept on.

No share of chance can be given to what an oven did unseen, so the members that took their own courses through a gap
are not enough: beside them the same members are carried once with the lowest course that this oven can have taken
(`logger.estimate.gaps`) and once with the highest. Up to the first long gap all three are the same, to the last bit.
"""

from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from math import isfinite, nan
from typing import Any

import numpy as np

from logger.estimate.bands import GapCase, GapCases
from logger.estimate.gaps import GapMark
from logger.estimate.result import Estimate
from logger.estimate.uncertainty import EnsembleProblem, Members

LOW, HIGH = -1.0, 1.0
"""Place of a course in a gap [-]: the lowest, and the highest."""


def on_course(problem: EnsembleProblem, position: float) -> EnsembleProblem:
    """The same members, every one of them at one ``position`` [-], between `LOW` and `HIGH`, through every gap."""
    return replace(problem, load=replace(problem.load, gap_position=np.full(problem.members, position)))


def has_long_gap(marks: Sequence[GapMark]) -> bool:
    """Whether among gaps is one that hides something: longer than a bridge, with a reading before it."""
    return any(isfinite(mark.low_K) and not mark.bridged for mark in marks)


def cases_of(problem: EnsembleProblem, nominal: Estimate, drawn: Members, low: Members, high: Members) -> GapCases:
    """What the nominal run would have come to with the lowest and the highest course through its gaps.

    Parameters
    ----------
    problem : EnsembleProblem
    nominal : the nominal run
    drawn, low, high : the members with their own courses, all on the lowest, all on the highest

    Returns    GapCases    the nominal values, changed as member 0 changes
    """
    carbon, tempered = nominal.carbon, nominal.tempering
    begun = tempered is not None and tempered.begun

    def case(of: Members) -> GapCase:
        def changed(value: float | None, members: Any, before: Any) -> float:
            return nan if value is None else max(0.0, float(value) + float(members[0]) - float(before[0]))

        def depth(level_wt_pct: float) -> float:
            known = None if carbon is None else carbon.case_depth_m(level_wt_pct)
            return changed(known, of.carbon.case_depth_m(level_wt_pct), drawn.carbon.case_depth_m(level_wt_pct))

        def content(name: str) -> float:
            known = None if carbon is None else getattr(carbon, name)
            return changed(known, getattr(of.carbon, name), getattr(drawn.carbon, name))

        molten = None if carbon is None else carbon.liquid_depth_m
        parameter = float(tempered.parameter_K) if begun and tempered is not None else None
        hardness = None
        if begun and tempered is not None and tempered.hardness_HRC is not None:
            hardness = float(tempered.hardness_HRC)
        return GapCase(
            peak_K=changed(nominal.thermal.peak_K, of.peak_K, drawn.peak_K),
            soak_s=changed(nominal.thermal.soak_s, of.soak_s, drawn.soak_s),
            equivalent_time_s=changed(nominal.thermal.equivalent_time_s, of.equivalent_time_s, drawn.equivalent_time_s),
            surface_wt_pct=content("surface_wt_pct"),
            core_wt_pct=content("core_wt_pct"),
            mean_wt_pct=content("mean_wt_pct"),
            case_depth_m={level: depth(level) for level in problem.levels_wt_pct},
            liquid_depth_m=changed(molten, of.carbon.ever.liquid_depth_m, drawn.carbon.ever.liquid_depth_m),
            tempering_parameter_K=changed(parameter, of.tempering_parameter_K, drawn.tempering_parameter_K),
            hardness_HRC=changed(hardness, of.hardness_HRC, drawn.hardness_HRC),
        )

    return GapCases(low=case(low), high=case(high))


def widest(drawn: Any, *others: Any) -> Any:
    """Bands (or any values made of them) that hold the others' bands too; all else is the first's.

    Parameters
    ----------
    drawn, others : values of one kind: a band of three numbers, an array (3, n), or tables, tuples and dataclasses of
        such [any unit]

    Returns    the same kind of value; lower ends the lowest, upper ends the highest, medians the first's
    """
    if any(other is None for other in others):
        return drawn
    if isinstance(drawn, tuple) and len(drawn) == 3 and all(isinstance(one, float) for one in drawn):
        low, high = ([one[end] for one in (drawn, *others) if isfinite(one[end])] for end in (0, 2))
        return (min(low, default=nan), drawn[1], max(high, default=nan))
    if isinstance(drawn, np.ndarray) and drawn.ndim == 2 and drawn.shape[0] == 3:
        together = np.stack([drawn, *others])
        return np.stack([together[:, 0].min(axis=0), drawn[1], together[:, 2].max(axis=0)])
    if isinstance(drawn, tuple):
        parts = [widest(*part) for part in zip(drawn, *others, strict=True)]
        return type(drawn)(*parts) if hasattr(drawn, "_fields") else tuple(parts)
    if isinstance(drawn, dict):
        return {key: widest(one, *(other[key] for other in others)) for key, one in drawn.items()}
    if is_dataclass(drawn) and not isinstance(drawn, type):
        changed = {
            field.name: widest(getattr(drawn, field.name), *(getattr(other, field.name) for other in others))
            for field in fields(drawn)
            if field.name not in ALONE
        }
        return replace(drawn, **changed)
    return drawn


ALONE = frozenset({"drivers"})
"""What bands come from is told of the members with courses of their own."""
