"""Bands of an ensemble: 5, 50 and 95 % of every quantity of its members, and what the bands come from."""

from dataclasses import replace
from math import inf

import numpy as np

from logger.estimate.bands import Band, Bands, CarbonBands, Doubt, Driven, Driver, TemperingBands, band, quantiles
from logger.estimate.canister import CanisterParameters
from logger.estimate.carbon_result import GRIND_WT_PCT, CarbonMembers
from logger.estimate.uncertainty import EnsembleProblem, Members, measure
from logger.sheet import RunSheet, level_shown_wt_pct
from logger.sheet_parts import Quantity, Target
from logger.steel.carbon_diffusion import DIFFUSIVITY_FACTOR_SPREAD, PUBLISHED_LAWS
from logger.steel.phase_limits import solidus_temperature_K
from logger.units import FloatArray

SMALLEST_SHARE = 0.05
"""A driver below this share is not told from chance by so few members."""


def bands_of(problem: EnsembleProblem, members: Members) -> Bands:
    """The bands of every quantity, and what drives those that matter.

    Parameters
    ----------
    problem : EnsembleProblem
    members : Members

    Returns    Bands
    """
    tempered = None
    if np.isfinite(members.tempering_parameter_K).any():
        tempered = TemperingBands(
            parameter_K=band(members.tempering_parameter_K),
            equivalent_time_s=band(members.tempering_equivalent_time_s),
            hardness_HRC=band(members.hardness_HRC),
        )
    targets = [measure(target, members) for target in problem.sheet.targets]
    return Bands(
        time_s=members.time_s,
        members=problem.members,
        steel_temperature_K=band(members.steel_temperature_K),
        peak_K=band(members.peak_K),
        equivalent_time_s=band(members.equivalent_time_s),
        soak_s=band(members.soak_s),
        carbon=carbon_bands(members.carbon, problem.levels_wt_pct),
        tempering=tempered,
        targets=tuple(band(values) for values in targets),
        drivers=tuple(
            Driven(asked, drivers(problem, asked.quantity, measure(asked, members), members.has_gaps))
            for asked in _asked(problem.sheet, members)
        ),
    )


APART_SHARE = 0.1
"""From this share on, members that have melted and those that have not are shown apart (our choice)."""


def at_depths(bands: Bands, depth_m: FloatArray) -> Bands:
    """The same with bands of profiles at other depths [m], (n,): those of the nominal run, whose cells are finer."""

    def moved(own_m: FloatArray, rows: FloatArray) -> FloatArray:
        return np.stack([np.interp(depth_m, own_m, row) for row in rows])

    carbon, section = bands.carbon, bands.section
    apart = carbon.apart_wt_pct
    if apart is not None:
        apart = (moved(carbon.depth_m, apart[0]), moved(carbon.depth_m, apart[1]))
    profile = moved(carbon.depth_m, carbon.carbon_wt_pct)
    carbon = replace(carbon, depth_m=depth_m, carbon_wt_pct=profile, apart_wt_pct=apart)
    if section is not None:
        tempered = None if section.tempered_HRC is None else moved(section.depth_m, section.tempered_HRC)
        quenched = moved(section.depth_m, section.quenched_HRC)
        section = replace(section, depth_m=depth_m, quenched_HRC=quenched, tempered_HRC=tempered)
    return replace(bands, carbon=carbon, section=section)


def carbon_bands(carbon: CarbonMembers, levels_wt_pct: tuple[float, ...]) -> CarbonBands:
    """The bands of the carbon of members, with case depths to levels [wt%]."""
    ever, back = carbon.ever, carbon.back_surface_wt_pct
    richest = carbon.carbon_wt_pct.max(axis=1)
    start = carbon.start_wt_pct
    profile = quantiles(carbon.carbon_wt_pct)
    melted, apart = ever.liquid_depth_m > 0.0, None
    if APART_SHARE <= np.mean(melted) <= 1.0 - APART_SHARE:
        apart = (quantiles(carbon.carbon_wt_pct[~melted]), quantiles(carbon.carbon_wt_pct[melted]))
    over = [carbon.case_depth_m(start + rise_wt_pct) for rise_wt_pct in (0.04, 0.07)]
    solidus = np.array([solidus_temperature_K(float(value)) for value in richest])

    def depth(level_wt_pct: float) -> Band:
        return band(carbon.case_depth_m(level_wt_pct))

    return CarbonBands(
        surface_wt_pct=band(carbon.surface_wt_pct),
        back_surface_wt_pct=None if back is None else band(back),
        core_wt_pct=band(carbon.core_wt_pct),
        mean_wt_pct=band(carbon.mean_wt_pct),
        start_wt_pct=band(start),
        gain_kg_per_m2=band(carbon.gain_kg_per_m2),
        case_depth_m={level: depth(level) for level in levels_wt_pct},
        case_depth_over_core_004_m=band(over[0]),
        case_depth_over_core_007_m=band(over[1]),
        grind_depth_m=depth(GRIND_WT_PCT),
        carbide_depth_m=band(ever.carbide_depth_m),
        carbide_depth_now_m=band(carbon.carbide_depth_now_m),
        liquid_depth_m=band(ever.liquid_depth_m),
        liquid_depth_now_m=band(carbon.liquid_depth_now_m),
        skin_depth_m=band(np.maximum(ever.carbide_depth_m, ever.liquid_depth_m)),
        margin_to_solidus_K=band(solidus - carbon.temperature_K),
        depth_m=carbon.depth_m,
        carbon_wt_pct=profile,
        melted_share=float(np.mean(melted)),
        apart_wt_pct=apart,
    )


# What a band comes from

HEAT = frozenset({Doubt.THERMOCOUPLE, Doubt.CANISTER, Doubt.GAPS})
OF_CARBON = HEAT | {Doubt.PACK, Doubt.DIFFUSIVITY, Doubt.START_CARBON}
COMES_FROM = {
    Quantity.SOAK_TIME: HEAT,
    Quantity.EQUIVALENT_TIME: HEAT,
    Quantity.TEMPERING_PARAMETER: HEAT,
    Quantity.HARDNESS: HEAT | {Doubt.START_CARBON, Doubt.TEMPERING},
    Quantity.CASE_DEPTH: OF_CARBON,
    Quantity.SURFACE_CARBON: OF_CARBON,
    Quantity.CORE_CARBON: OF_CARBON,
    Quantity.MEAN_CARBON: OF_CARBON,
}
"""What can move each quantity at all: nothing else is asked, lest chance be taken for a cause."""


def _asked(sheet: RunSheet, members: Members) -> tuple[Target, ...]:
    """The quantities whose drivers are told: what the sheet is about, else what the run itself is about."""
    if sheet.targets:
        return tuple({(target.quantity, target.at_carbon_wt_pct): target for target in sheet.targets}.values())
    if np.isfinite(members.hardness_HRC).any():
        return (Target(Quantity.HARDNESS, np.nan),)
    carburizes = sheet.pack is not None or any(stage.pack is not None for stage in sheet.stages)
    case = Target(Quantity.CASE_DEPTH, np.nan, level_shown_wt_pct(sheet))
    return (case,) if carburizes else (Target(Quantity.EQUIVALENT_TIME, np.nan),)


def drivers(problem: EnsembleProblem, quantity: Quantity, values: FloatArray, has_gaps: bool) -> tuple[Driver, ...]:
    """What the scatter of members' values comes from, the strongest first.

    Parameters
    ----------
    problem : EnsembleProblem
    quantity : what the values are of
    values : array, (m,)         the members' values [unit of the quantity]
    has_gaps : whether the run has a gap that was not bridged

    Returns    tuple of Driver   empty where nothing scatters
    Source     squared correlation of the value with each draw, less what chance alone would give, 1 / (m - 1)
    """
    drawn = values[1:]
    if drawn.size < 8 or not np.isfinite(drawn).all() or np.ptp(drawn) <= 1e-9 * float(np.abs(drawn).max()):
        return ()
    centred = drawn - drawn.mean()
    by_chance = 1.0 / (drawn.size - 1)
    found: dict[Doubt, float] = {}
    for doubt, column in _columns(problem):
        x = column[1:] - column[1:].mean()
        size = float(x @ x)
        if size <= 0.0 or doubt not in COMES_FROM[quantity] or (doubt is Doubt.GAPS and not has_gaps):
            continue
        r2 = float(x @ centred) ** 2 / (size * float(centred @ centred))
        found[doubt] = found.get(doubt, 0.0) + max(0.0, (r2 - by_chance) / (1.0 - by_chance))
    shares = [Driver(doubt, min(share, 1.0)) for doubt, share in found.items() if share >= SMALLEST_SHARE]
    return tuple(sorted(shares, key=lambda driver: -driver.share))


def _columns(problem: EnsembleProblem) -> list[tuple[Doubt, FloatArray]]:
    """What was drawn, each as numbers (m,) that the values may follow; of the pack, only what the sheet leaves open."""
    draws, sheet = problem.draws, problem.sheet
    by_law = np.array([float(np.log(law.at(np.array([1223.15]), np.array([0.6]))[0])) for law in PUBLISHED_LAWS])
    diffusivity = by_law[draws.law] + np.log1p(DIFFUSIVITY_FACTOR_SPREAD) * draws.diffusivity
    columns = [
        (Doubt.THERMOCOUPLE, draws.reading_error),
        (Doubt.GAPS, draws.gap_position),
        (Doubt.DIFFUSIVITY, diffusivity),
        (Doubt.START_CARBON, draws.start_carbon),
        (Doubt.TEMPERING, draws.hardness),
    ]
    packs = [pack for pack in (sheet.pack, *(stage.pack for stage in sheet.stages)) if pack is not None]
    if any(pack.carbon_potential_wt_pct is None for pack in packs):
        columns.append((Doubt.PACK, draws.activity))
    if any(pack.carbon_potential_wt_pct is not None for pack in packs):
        columns.append((Doubt.PACK, draws.potential))
    if any(pack.recipe or pack.mass_transfer_m_per_s not in (None, inf) for pack in packs):
        columns.append((Doubt.PACK, draws.transfer))
    if draws.canister is not None:
        for name in CanisterParameters.__dataclass_fields__:
            value = getattr(draws.canister, name)
            if isinstance(value, np.ndarray) and np.ptp(value) > 1e-12:
                columns.append((Doubt.CANISTER, np.log(value)))
    return columns
