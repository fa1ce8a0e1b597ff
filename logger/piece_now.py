"""What a piece is now, for somebody at the bench: how much carbon where, how hard it would be, what to do next.

Everything is worked out for every member of the ensemble and told as a band; what to do next follows common practice
(no source) from the nominal piece.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from math import ceil, nan

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate import carbon_problem, carbon_profile, uncertainty
from logger.estimate.bands import Band, band, quantiles
from logger.estimate.carbon_result import GRIND_WT_PCT
from logger.estimate.hardening import section_hardness
from logger.estimate.section import Section, recut
from logger.piece import Condition, PieceState, heated, refolded, total_parameter_K
from logger.piece_steps import Finding, HeatFor, HeatTyped, Measure
from logger.remark import Remark
from logger.sheet import RunSheet
from logger.sheet_parts import Bath, Piece, Shape, SurfaceKind
from logger.steel.critical_points import Window, austenitizing_window, normalizing_window
from logger.steel.martensite import MOST_CARBON_WT_PCT
from logger.steel.phase_limits import EUTECTIC_K, EUTECTOID_WT_PCT
from logger.steel.tempering import (
    CARBON_WT_PCT,
    HARDNESS_RMS_HRC,
    HIGHEST_PARAMETER_K,
    MANGANESE_WT_PCT,
    fitted_constant,
    tempered_hardness_HRC,
)
from logger.thermocouple import Thermocouple
from logger.units import FloatArray, kelvin_from_celsius

EDGE_WT_PCT = 0.60
"""Least carbon for an edge that stays (common practice, no source: plain steels for edges begin there)."""

EDGE_LEAST_M = 3e-4
"""A zone thinner than this cannot be ground to an edge along its whole length (our choice)."""

EVEN_WT_PCT = 0.05
"""Carbon within this all through counts as even (our choice: a tenth of an HRC in hardness above 0.6 % C)."""

POOR_PART, POOR_MATTERS_WT_PCT, POOR_LEAST_M = 0.9, 0.25, 5e-5
"""A skin is decarburized down to where nine tenths of the carbon below it, or enough for an edge, are reached; below
0.25 % C nothing hardens and nothing is lost, and what is thinner than 0.05 mm goes with the scale (our choices)."""

USUAL_TEMPER = Window(kelvin_from_celsius(150.0), kelvin_from_celsius(250.0), "usual for edges (common practice)")

LONGEST_EVENING_S = 100.0 * 3600.0
MOST_FOLDS = 12
NORMAL_90 = 1.645


@dataclass(frozen=True, slots=True)
class LayerNow:
    """One layer: from where to where below the front face [m], mean carbon and what it has taken up [wt%].

    ``given_share``: which part of its carbon it has given away since the layers were joined [-]; 0 where it took some.
    """

    name: str
    from_m: float
    to_m: float
    mean_wt_pct: Band
    received_wt_pct: Band
    given_share: Band


@dataclass(frozen=True, slots=True)
class EdgeZone:
    """Where there is carbon for an edge, at least `EDGE_WT_PCT`: the thickest such zone.

    ``from_m``, ``to_m`` below the front face of the nominal piece [m]; ``thickness_m`` with its band [m];
    ``share`` of the members that have a zone of at least `EDGE_LEAST_M` [-].
    """

    from_m: float
    to_m: float
    thickness_m: Band
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class HardnessNow:
    """Hardness across the section, arrays over depth [m]; ``HRC`` (3, n): 5, 50 and 95 %, not a number below 20 HRC.

    ``supposed``: as it would be quenched from ``from_K``; else as it was. ``tempered``: after the tempers it has had.
    """

    depth_m: FloatArray
    HRC: FloatArray
    from_K: float
    bath: Bath | None
    supposed: bool
    tempered: bool
    notes: tuple[Remark, ...]

    @property
    def hardest(self) -> Band:
        """The hardest place of the section [HRC]."""
        return _at(self.HRC, int(np.nanargmax(self.HRC[1]))) if np.isfinite(self.HRC[1]).any() else (nan, nan, nan)


def _at(rows: FloatArray, place: int) -> Band:
    low, middle, high = rows[:, place].tolist()
    return (low, middle, high)


class Next(StrEnum):
    """What to do next."""

    GRIND_CAST = "grind off cast iron"
    GRIND_RICH = "grind off the over-carburized skin"
    GRIND_POOR = "grind off the decarburized skin"
    MORE_CARBON = "not enough carbon for an edge"
    EVEN_OUT = "even out"
    NORMALIZE = "normalize"
    HARDEN = "harden"
    TEMPER = "temper at once"
    MEASURE = "measure"


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next, with its numbers: depths off front and back [m], a range of temperatures [K], a carbon [wt%]."""

    what: Next
    front_m: float = 0.0
    back_m: float = 0.0
    window: Window | None = None
    carbon_wt_pct: float = nan


@dataclass(frozen=True, slots=True, eq=False)
class PieceNow:
    """A piece after a step, as bands of its members; carbon [wt%], lengths [m].

    unevenness_wt_pct : highest less lowest carbon of the section
    rich_m, poor_m : (front, back)   depths with more than 1.0 % C, depths that are decarburized
    cast_m : (front, back)           depths that are cast iron, nominal
    depth_m, carbon_wt_pct : (n,), (3, n)   profile with its band
    """

    state: PieceState
    mean_wt_pct: Band
    core_wt_pct: Band
    front_wt_pct: Band
    back_wt_pct: Band
    unevenness_wt_pct: Band
    gain_kg_per_m2: Band
    rich_m: tuple[Band, Band]
    poor_m: tuple[Band, Band]
    cast_m: tuple[float, float]
    layers: tuple[LayerNow, ...]
    edge: EdgeZone | None
    hardness: HardnessNow | None
    depth_m: FloatArray
    carbon_wt_pct: FloatArray
    next_steps: tuple[NextStep, ...]

    def reckoned(self, measured: Measure) -> Band | None:
        """What was to be expected of something measured, in its own unit [HRC, wt%]; None where nothing is."""
        section = self.state.section
        if measured.finding is Finding.MEAN_CARBON:
            return self.mean_wt_pct
        if measured.depth_m > section.depth_m:
            return None
        if measured.finding is Finding.CARBON:
            return band(section.at_m(measured.depth_m))
        if self.hardness is None or self.hardness.supposed:
            return None
        low, middle, high = (float(np.interp(measured.depth_m, self.depth_m, row)) for row in self.hardness.HRC)
        return None if not np.isfinite(middle) else (low if np.isfinite(low) else 0.0, middle, high)


def piece_now(state: PieceState, with_hardness: bool = True) -> PieceNow:
    """What the piece is.

    Parameters
    ----------
    state : the piece after a step
    with_hardness : whether its hardness is wanted, which takes the longest
    """
    section = state.section
    carbon, is_round = section.carbon_wt_pct, section.shape is Shape.ROUND
    core_m = section.depth_m if is_round else section.depth_m / 2.0
    backwards = carbon[:, -1:] if is_round else carbon[:, ::-1]

    def both(measured: Callable[[FloatArray, FloatArray], FloatArray]) -> tuple[Band, Band]:
        front = band(measured(section.edge_depth_m, carbon))
        if is_round:
            return front, (0.0, 0.0, 0.0)
        return front, band(measured((section.depth_m - section.edge_depth_m)[::-1], backwards))

    cast = both(lambda edges, rows: _depth_above_m(edges, rows, MOST_CARBON_WT_PCT))
    now = PieceNow(
        state=state,
        mean_wt_pct=band(section.mean_wt_pct),
        core_wt_pct=band(section.at_m(core_m)),
        front_wt_pct=band(carbon[:, 0]),
        back_wt_pct=band(carbon[:, 0] if is_round else carbon[:, -1]),
        unevenness_wt_pct=band(np.ptp(carbon, axis=1)),
        gain_kg_per_m2=band(state.gain_kg_per_m2),
        rich_m=both(lambda edges, rows: _depth_above_m(edges, rows, GRIND_WT_PCT)),
        poor_m=both(_depth_poor_m),
        cast_m=(cast[0][1], cast[1][1]),
        layers=tuple(_layer_now(state, number) for number in range(len(section.layers))),
        edge=_edge(section),
        hardness=_hardness(state) if with_hardness else None,
        depth_m=section.centre_depth_m,
        carbon_wt_pct=quantiles(carbon),
        next_steps=(),
    )
    return replace(now, next_steps=tuple(_next(now)))


def _layer_now(state: PieceState, number: int) -> LayerNow:
    section = state.section
    from_m, to_m = section.layer_edges_m(number)
    mean, received = section.layer_mean_wt_pct(number), state.received_wt_pct[:, number]
    given = np.maximum(-received, 0.0) / np.maximum(mean - received, 1e-9)
    return LayerNow(section.layers[number].name, from_m, to_m, band(mean), band(received), band(given))


def _depth_above_m(edges_m: FloatArray, carbon_wt_pct: FloatArray, level_wt_pct: float) -> FloatArray:
    """Depth [m] of the first face to which carbon stays above a level, a thin poor skin over it passed by; (m,)."""
    result = np.zeros(carbon_wt_pct.shape[0])
    for member, row in enumerate(carbon_wt_pct):
        above = np.flatnonzero(row > level_wt_pct)
        if not above.size or edges_m[above[0]] > SKIN_PART * edges_m[-1]:
            continue
        below = np.flatnonzero(row[above[0] :] <= level_wt_pct)
        result[member] = edges_m[-1] if not below.size else edges_m[above[0] + below[0]]
    return result


SKIN_PART = 0.1
"""Rich steel further in than this part of the section is no skin."""


def _depth_poor_m(edges_m: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
    """Depth [m] of the decarburized skin of the first face, for every member (m,)."""
    result = np.zeros(carbon_wt_pct.shape[0])
    centre = 0.5 * (edges_m[1:] + edges_m[:-1])
    for member, row in enumerate(carbon_wt_pct):
        slope = np.diff(row) / np.diff(centre)
        if slope.size == 0 or slope[0] <= 0.0:
            continue
        flat = np.flatnonzero(slope < 0.02 * slope[0])
        top = int(flat[0]) if flat.size else row.size - 1
        if row[top] < POOR_MATTERS_WT_PCT or row[0] > min(POOR_PART * row[top], EDGE_WT_PCT):
            continue
        level = min(POOR_PART * float(row[top]), EDGE_WT_PCT)
        depth_m = float(np.interp(level, row[: top + 1], centre[: top + 1]))
        result[member] = depth_m if depth_m >= POOR_LEAST_M else 0.0
    return result


def _edge(section: Section) -> EdgeZone | None:
    """The thickest zone with carbon for an edge; None where the nominal piece has none."""
    zones = [_thickest(section.edge_depth_m, row) for row in section.carbon_wt_pct]
    from_m, to_m = zones[0]
    if to_m <= from_m:
        return None
    thick = np.array([end - start for start, end in zones])
    return EdgeZone(from_m, to_m, band(thick), float(np.mean(thick >= EDGE_LEAST_M)))


def _thickest(edges_m: FloatArray, row: FloatArray) -> tuple[float, float]:
    enough = np.concatenate([[False], row >= EDGE_WT_PCT, [False]])
    starts, ends = np.flatnonzero(enough[1:] & ~enough[:-1]), np.flatnonzero(~enough[1:] & enough[:-1])
    if not starts.size:
        return 0.0, 0.0
    widest = int(np.argmax(edges_m[ends] - edges_m[starts]))
    return float(edges_m[starts[widest]]), float(edges_m[ends[widest]])


# Hardness


def _hardness(state: PieceState) -> HardnessNow | None:
    """Hardness across the section: as quenched and tempered, or as it would be from the middle of its window."""
    quench = state.quench
    from_K = quench.temperature_K if quench is not None else hardening_window(state.section).middle_K
    if from_K > EUTECTIC_K:
        return None
    section = state.section
    rows: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    notes: tuple[Remark, ...] = ()
    for member in range(state.members):
        low, middle, high, told = _member_hardness(state, section.carbon_wt_pct[member], from_K, member == 0)
        if member == 0:
            notes = told
        rows.append((low, middle, high))
    values = np.array(rows)
    with np.errstate(invalid="ignore"):
        filled = np.where(np.isfinite(values), values, -np.inf)
        low = np.quantile(filled[:, 0], 0.05, axis=0, method="lower")
        high = np.quantile(filled[:, 2], 0.95, axis=0, method="higher")
    HRC = np.stack([low, values[0, 1], high])
    HRC[~np.isfinite(HRC)] = nan
    bath = None if quench is None else quench.bath
    return HardnessNow(section.centre_depth_m, HRC, from_K, bath, quench is None, bool(state.tempers), notes)


def _member_hardness(
    state: PieceState, carbon_wt_pct: FloatArray, from_K: float, with_words: bool
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[Remark, ...]]:
    """Low, best and high hardness [HRC] over depth of one member, and what stands in the way, layer by layer."""
    section = state.section
    low, middle, high = (np.full(carbon_wt_pct.size, nan) for _ in range(3))
    means = {number: float(carbon_wt_pct[section.layer == number].mean()) for number in range(len(section.layers))}
    edge = max(means, key=means.__getitem__)
    # Of layers of one name, the richest speaks for all.
    named = {section.layers[number].name: number for number in sorted(means, key=means.__getitem__)}
    worth_a_word = set(named.values())
    notes: list[Remark] = []
    for number, layer in enumerate(section.layers):
        own = section.layer == number
        depth_m = section.centre_depth_m[own]
        told = with_words and number in worth_a_word
        try:
            # Whether the bath is fast enough is asked of the steel that is to be hard.
            bath = state.quench.bath if told and number == edge and state.quench is not None else None
            size_m = None if bath is None else section.size_m
            hard = section_hardness(
                depth_m, carbon_wt_pct[own], layer.alloy_wt_pct, from_K, size_m=size_m, shape=section.shape, bath=bath
            )
        except InputFault as refusal:
            if told:
                notes.append(Remark("{layer}: {why}", layer=layer.name, why=refusal.faults[0]))
            continue
        own_low, own_middle, own_high = hard.low_HRC, hard.hardness_HRC, hard.high_HRC
        if state.tempers:
            own_low, own_middle, own_high = _tempered(
                state, hard.carbon_in_solution_wt_pct, layer.alloy_wt_pct, (own_low, own_middle, own_high)
            )
        low[own], middle[own], high[own] = own_low, own_middle, own_high
        if told:
            notes += [_of_layer(layer.name, section, remark) for remark in hard.remarks]
    return low, middle, high, tuple(dict.fromkeys(notes))


def _of_layer(name: str, section: Section, remark: Remark) -> Remark:
    """The remark with the layer it is about, where there are several."""
    if len({layer.name for layer in section.layers}) == 1:
        return remark
    return Remark(f"{{layer}}: {remark.template}", layer=name, **remark.values)


def _tempered(
    state: PieceState,
    carbon_wt_pct: FloatArray,
    alloy_wt_pct: dict[str, float],
    quenched: tuple[FloatArray, FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hardness [HRC] after the tempers; a temper never makes it harder than the quench left it."""
    known = np.clip(carbon_wt_pct, *CARBON_WT_PCT)
    manganese = float(np.clip(alloy_wt_pct.get("Mn", 0.6), *MANGANESE_WT_PCT))
    parameter_K = np.minimum(total_parameter_K(state.tempers, fitted_constant(known)), HIGHEST_PARAMETER_K)
    HRC = tempered_hardness_HRC(parameter_K, known, manganese)
    spread = NORMAL_90 * HARDNESS_RMS_HRC.value
    lows, middles, highs = quenched
    shown = np.minimum(middles, HRC)
    shown[shown < 20.0] = nan
    return np.minimum(lows, HRC - spread), shown, np.minimum(highs, HRC + spread)


@dataclass(frozen=True, slots=True)
class HardeningWindow:
    """Temperatures to harden a section from [K], and the carbon they go by [wt%]."""

    window: Window
    carbon_wt_pct: float

    @property
    def middle_K(self) -> float:
        """Half way [K]."""
        return 0.5 * (self.window.low_K + self.window.high_K)


def hardening_window(section: Section) -> HardeningWindow:
    """Temperatures [K] to harden a section from: for its richest steel, short of what is no steel any more."""
    cell = int(np.argmax(section.carbon_wt_pct[0]))
    carbon_wt_pct = min(float(section.carbon_wt_pct[0, cell]), MOST_CARBON_WT_PCT - 0.01)
    alloy = section.layers[int(section.layer[cell])].alloy_wt_pct
    return HardeningWindow(austenitizing_window(carbon_wt_pct, alloy), carbon_wt_pct)


# What next


def _next(now: PieceNow) -> list[NextStep]:
    state = now.state
    if state.condition is Condition.QUENCHED:
        return [NextStep(Next.TEMPER, window=USUAL_TEMPER)]
    if state.condition is Condition.TEMPERED:
        return [NextStep(Next.MEASURE)]
    steps: list[NextStep] = []
    rich = (now.rich_m[0][1], now.rich_m[1][1])
    poor = (now.poor_m[0][1], now.poor_m[1][1])
    if max(now.cast_m) > 0.0:
        steps.append(NextStep(Next.GRIND_CAST, *now.cast_m))
    if max(rich) > 0.0 and sum(rich) < state.section.depth_m * (1.0 if state.section.shape is Shape.ROUND else 0.9):
        steps.append(NextStep(Next.GRIND_RICH, *rich))
    if max(poor) > 0.0:
        steps.append(NextStep(Next.GRIND_POOR, *poor))
    richest = float(state.section.carbon_wt_pct[0].max())
    if now.edge is None or now.edge.thickness_m[1] < EDGE_LEAST_M:
        steps.append(NextStep(Next.MORE_CARBON, carbon_wt_pct=richest))
        return steps
    if len(now.layers) > 1 and now.unevenness_wt_pct[1] > EVEN_WT_PCT and _one_steel(state.section):
        steps.append(NextStep(Next.EVEN_OUT, carbon_wt_pct=now.unevenness_wt_pct[1]))
    harden = hardening_window(state.section)
    alloy = state.section.layers[0].alloy_wt_pct
    if state.condition is not Condition.NORMALIZED and (state.coarse or richest > EUTECTOID_WT_PCT + 0.1):
        # What is about to be ground off need not dissolve.
        left = min(harden.carbon_wt_pct, GRIND_WT_PCT) if max(rich) > 0.0 else harden.carbon_wt_pct
        steps.append(NextStep(Next.NORMALIZE, window=normalizing_window(left, alloy)))
    steps.append(NextStep(Next.HARDEN, window=harden.window, carbon_wt_pct=harden.carbon_wt_pct))
    return steps


def _one_steel(section: Section) -> bool:
    """Whether all layers are of the same name: a stack that is meant to become one steel."""
    return len({layer.name for layer in section.layers}) == 1


# Evening out


@dataclass(frozen=True, slots=True)
class Evening:
    """How a piece would even out with its faces sealed, at ``temperature_K`` [K], to within ``within_wt_pct`` [wt%].

    now_wt_pct : unevenness now
    time_s : time at heat [s], inf where it takes too long
    heats : how many heats of ``heat_s`` [s] that is, for the nominal piece and for the slowest of twenty
    folds : folds with such a heat after each, likewise; None where folding cannot be
    """

    temperature_K: float
    within_wt_pct: float
    heat_s: float
    now_wt_pct: Band
    time_s: Band
    heats: tuple[float, float]
    folds: tuple[int, int] | None


def evening(state: PieceState, temperature_K: float, heat_s: float, within_wt_pct: float = EVEN_WT_PCT) -> Evening:
    """How long, how many heats or how many folds until a piece is even.

    Parameters
    ----------
    state : the piece
    temperature_K : of every heat [K]
    heat_s : time at heat of each [s]
    within_wt_pct : highest less lowest carbon that counts as even [wt%]

    Raises   InputFault    no time, no heat, nothing to reach
    """
    if not within_wt_pct > 0.0:
        raise InputFault(Fault("even within", f"{within_wt_pct:g} %", "more than 0 %"))
    heat = HeatTyped(HeatFor.EVEN_OUT, temperature_K, heat_s, SurfaceKind.SEALED)
    times = _even_after_s(state, temperature_K, heat.spread_K, within_wt_pct)
    low, middle, high = np.quantile(times, (0.05, 0.5, 0.95), method="inverted_cdf").tolist()
    heats = tuple(float(ceil(time_s / heat_s)) if np.isfinite(time_s) else np.inf for time_s in (times[0], high))
    folds = None
    if state.section.shape is not Shape.ROUND:
        folds = _folds_until_even(state, heat, within_wt_pct)
    return Evening(
        temperature_K,
        within_wt_pct,
        heat_s,
        band(np.ptp(state.section.carbon_wt_pct, axis=1)),
        (low, middle, high),
        (heats[0], heats[1]),
        folds,
    )


def _even_after_s(state: PieceState, temperature_K: float, spread_K: float, within_wt_pct: float) -> FloatArray:
    """Time at heat [s] after which each member is even, (m,); inf where that is beyond reach."""
    section = recut(state.section)
    sheet = RunSheet(Piece(section.shape, section.size_m, 0.0))
    draws = uncertainty.draw(sheet, Thermocouple(), state.members)
    problem = carbon_problem.problem_from_sheet(sheet, uncertainty.carbon_spread(draws), section=section)
    at_K = temperature_K + spread_K * uncertainty.normal_draws(state.members, uncertainty.SEED, 12)
    solver = carbon_profile.advance(problem, carbon_profile.begin(problem), np.zeros(1), at_K[:, None])
    before_s, before = 0.0, np.ptp(section.carbon_wt_pct, axis=1)
    result = np.where(before <= within_wt_pct, 0.0, np.inf)
    time_s = 1.0
    while time_s < LONGEST_EVENING_S and not np.isfinite(result).all():
        solver = carbon_profile.advance(problem, solver, np.array([time_s]), at_K[:, None])
        now = np.ptp(carbon_profile.members_at_end(problem, solver).carbon_wt_pct[:, 1:-1], axis=1)
        crossed = (now <= within_wt_pct) & ~np.isfinite(result)
        if crossed.any():
            part = np.clip((before - within_wt_pct) / np.maximum(before - now, 1e-12), 0.0, 1.0)
            result[crossed] = (before_s + part * (time_s - before_s))[crossed]
        before_s, before, time_s = time_s, now, 1.2 * time_s
    return result


def _folds_until_even(state: PieceState, heat: HeatTyped, within_wt_pct: float) -> tuple[int, int] | None:
    """Folds, each with its heat, until the nominal piece and nineteen of twenty members are even."""
    nominal: int | None = None
    folded = state
    for folds in range(MOST_FOLDS + 1):
        uneven = np.ptp(folded.section.carbon_wt_pct, axis=1)
        if nominal is None and uneven[0] <= within_wt_pct:
            nominal = folds
        if nominal is not None and np.quantile(uneven, 0.95) <= within_wt_pct:
            return nominal, folds
        folded = heated(refolded(folded), heat)
    return None
