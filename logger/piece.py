"""Piece: the steps of a piece of steel put together into what it is now, carbon profile and all.

    state = after(None, entry, sources)      # a new piece, or a stack of others
    state = after(state, entry, sources)     # one more step

Diffusion in every heat is that of a run: the same problem, the same solver, the same 64 members, which keep their own
diffusivity law and their own luck with the starting carbon from step to step. Member 0 is the nominal piece.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from zlib import crc32

import numpy as np

from logger.errors import Fault, InputFault, RangeFault
from logger.estimate import carbon_problem, carbon_profile, uncertainty
from logger.estimate.carbon_result import (
    CarbonMembers,
    CarbonResult,
    CarbonWarning,
    CarbonWarningKind,
    member_result,
)
from logger.estimate.section import (
    Section,
    SectionLayer,
    drawn_out,
    even_section,
    ground,
    quiet_layers_merged,
    recut,
    stacked,
    turned_over,
)
from logger.history import History
from logger.piece_steps import (
    Begin,
    Clad,
    Cut,
    DrawOut,
    Entry,
    Fold,
    Grind,
    HeatFor,
    HeatRun,
    HeatTyped,
    Measure,
    Quench,
    Stack,
    Step,
    Temper,
    TemperRun,
    Used,
)
from logger.sheet import RunSheet
from logger.sheet_limits import SMALLEST_PIECE_M
from logger.sheet_parts import Pack, Piece, Shape, SurfaceKind
from logger.steel.composition import carbon_content_spread_wt_pct
from logger.steel.critical_points import COARSENS_ABOVE_K, ac1_K, critical_points
from logger.steel.phase_limits import EUTECTIC_K, HIGHEST_K
from logger.steel.tempering import equivalent_time_s, tempering_parameter_K
from logger.thermocouple import Thermocouple
from logger.units import FloatArray

MEMBERS = uncertainty.MEMBERS
WIDTHS_DIFFER_M = 1e-3
"""Pieces of a stack may differ this much in width or length [m] (our choice: ground flush afterwards)."""

MOST_UPSET = 2.0
"""A piece is forged to at most so many times its thickness or diameter [-] (our choice: more is a slip of the pen)."""

HEAT_SAMPLES = 9
"""A heat typed in is one temperature: a few samples of it are all its history."""


class Condition(StrEnum):
    """What state of heat treatment the piece is in."""

    SOFT = "soft"
    NORMALIZED = "normalized"
    QUENCHED = "quenched"
    TEMPERED = "tempered"


@dataclass(frozen=True, slots=True, eq=False)
class RecordedHeat:
    """A run as a piece sees it: its sheet, its driving channel's history, that channel's thermocouple."""

    sheet: RunSheet
    history: History
    thermocouple: Thermocouple | None = None


@dataclass(frozen=True, slots=True)
class Hold:
    """A temper, or what a recorded one comes to: a hold at one temperature [K] for a time [s]."""

    temperature_K: float
    duration_s: float


@dataclass(frozen=True, slots=True, eq=False)
class PieceState:
    """A piece after a step.

    name, step : which piece, after which of its steps
    section : its carbon, cell by cell, for every member
    received_wt_pct : (m, layers)   carbon each layer has taken up since the layers were joined [wt%]
    gain_kg_per_m2 : (m,)           carbon gained through the faces in the last heat, per area of the front face [kg/m2]
    peak_K : nominal temperature of the last heat [K]; None before any
    coarse : a heat has coarsened the grain and no normalizing heat has come since
    quench : how it was quenched; None where it is not hard
    tempers : what has tempered it since
    warnings : what the last heat did, in words
    last_heat : the nominal piece's carbon at the end of that heat, for the numbers in them
    """

    name: str
    step: int
    section: Section
    received_wt_pct: FloatArray
    gain_kg_per_m2: FloatArray
    width_m: float | None
    length_m: float | None
    count: int
    condition: Condition = Condition.SOFT
    peak_K: float | None = None
    coarse: bool = False
    quench: Quench | None = None
    tempers: tuple[Hold, ...] = ()
    warnings: tuple[CarbonWarning, ...] = ()
    last_heat: CarbonResult | None = None

    @property
    def members(self) -> int:
        """How many members."""
        return self.section.members


@dataclass(frozen=True, slots=True)
class Sources:
    """Where steps that name something else find it: a recorded run by id, another piece after one of its steps."""

    run: Callable[[str], RecordedHeat]
    piece: Callable[[str, int], PieceState]


def after(name: str, state: PieceState | None, entry: Entry, sources: Sources, members: int = MEMBERS) -> PieceState:
    """The piece after one more step.

    Parameters
    ----------
    name : what the piece is called
    state : the piece before; None before its first step
    entry : the step
    sources : where runs and other pieces come from
    members : size of the ensemble of a new piece [-]

    Raises   InputFault, OutOfRange    the step cannot happen to this piece; the state stays as it was
    """
    step = entry.step
    if isinstance(step, Begin):
        return _begun(name, step, entry.number, members)
    if isinstance(step, Stack):
        return _stacked(name, step, entry.number, sources)
    if state is None:
        raise InputFault(Fault(f"piece {name}", "a first step that is none", "a new piece, or a stack of others"))
    unheated = replace(state, gain_kg_per_m2=np.zeros(state.members), warnings=(), last_heat=None)
    return replace(_changed(unheated, step, sources), step=entry.number)


def _changed(state: PieceState, step: Step, sources: Sources) -> PieceState:
    match step:
        case HeatRun(run, correction):
            heat = sources.run(run)
            if correction is not None:
                heat = replace(heat, sheet=replace(heat.sheet, correction=correction))
            return heated_in_run(state, heat)
        case HeatTyped():
            return heated(state, step)
        case Grind(front_m, back_m):
            return _ground(state, front_m, back_m)
        case Used(count, _):
            return _used(state, count)
        case Clad():
            return _clad(state, step)
        case DrawOut(size_m, width_m):
            return _drawn_out(state, size_m, width_m)
        case Fold(times):
            for _ in range(times):
                state = refolded(state)
            return state
        case Cut(pieces, across):
            return _cut(state, pieces, across)
        case Quench():
            return _quenched(state, step)
        case Temper(temperature_K, duration_s, times):
            return _tempered(state, (Hold(temperature_K, duration_s),) * times)
        case TemperRun(run):
            return _tempered(state, (hold_of_run(sources.run(run)),))
        case Measure():
            return state
    raise InputFault(Fault(f"piece {state.name}", type(step).__name__, "a step that can follow"))


# Where pieces come from


def start_carbon_wt_pct(
    carbon_wt_pct: float, spread_wt_pct: float | None, source: str, members: int = MEMBERS
) -> FloatArray:
    """Starting carbon of every member [wt%], shape (m,): pieces from one source share their members' luck.

    Parameters
    ----------
    carbon_wt_pct : as stated [wt%]
    spread_wt_pct : one-sigma error [wt%]; None: what a grade's limits leave
    source : the lot of iron, or whatever names where the steel is from
    members : how many [-]
    """
    spread = carbon_content_spread_wt_pct(carbon_wt_pct) if spread_wt_pct is None else spread_wt_pct
    drawn = uncertainty.normal_draws(members, uncertainty.SEED, 8, crc32(source.encode()))
    return np.clip(carbon_wt_pct + spread * drawn, 0.0, carbon_problem.HIGHEST_START_WT_PCT)


def _begun(name: str, step: Begin, number: int, members: int) -> PieceState:
    carbon = start_carbon_wt_pct(step.carbon_wt_pct, step.carbon_spread_wt_pct, step.iron_lot or name, members)
    section = even_section(step.shape, step.size_m, carbon, SectionLayer(step.steel or name, step.alloy_wt_pct))
    return PieceState(
        name=name,
        step=number,
        section=section,
        received_wt_pct=np.zeros((members, 1)),
        gain_kg_per_m2=np.zeros(members),
        width_m=step.width_m,
        length_m=step.length_m,
        count=step.count,
    )


def _stacked(name: str, step: Stack, number: int, sources: Sources) -> PieceState:
    states = [sources.piece(part.piece, part.step) for part in step.parts]
    for state in states:
        _check_flat(state, "stack")
    widths = _alike([state.width_m for state in states], step, "width")
    lengths = _alike([state.length_m for state in states], step, "length")
    turned = [part.turned for part in step.parts]
    section = stacked(
        tuple(turned_over(state.section) if turn else state.section for state, turn in zip(states, turned, strict=True))
    )
    return PieceState(
        name=name,
        step=number,
        section=section,
        received_wt_pct=np.zeros((section.members, len(section.layers))),
        gain_kg_per_m2=np.zeros(section.members),
        width_m=widths,
        length_m=lengths,
        count=step.count,
        coarse=any(state.coarse for state in states),
    )


def _check_flat(state: PieceState, step: str) -> None:
    """Refuse a round where faces are wanted, and say what can be done with it. Raises InputFault."""
    if state.section.shape is Shape.ROUND:
        mean = float(state.section.mean_wt_pct[0])
        anew = f'`soaktally piece new NAME --thickness ... --carbon "{mean:.2f} %"`'
        raise InputFault(
            Fault(step, f"a round ({state.name})", f"flat pieces: forge it flat and begin that anew, {anew}")
        )


def _alike(sizes_m: list[float | None], step: Stack, what: str) -> float | None:
    """The size [m] the pieces share; None where any is not known.

    Raises   InputFault    they differ
    """
    known = [(size_m, part.piece) for size_m, part in zip(sizes_m, step.parts, strict=True) if size_m is not None]
    if not known:
        return None
    (least_m, least), (most_m, most) = min(known), max(known)
    if most_m - least_m > WIDTHS_DIFFER_M:
        span_m = (least_m - WIDTHS_DIFFER_M, least_m + WIDTHS_DIFFER_M)
        why = f"to lie on {least}: cut or draw one of them first"
        raise InputFault(RangeFault.of(f"stack, {what} of {most}", most_m, *span_m, "m", why))
    return least_m if len(known) == len(sizes_m) else None


def _clad(state: PieceState, step: Clad) -> PieceState:
    _check_flat(state, "clad")
    carbon = start_carbon_wt_pct(step.carbon_wt_pct, step.carbon_spread_wt_pct, step.steel, state.members)
    layer = SectionLayer(step.steel or "jacket", step.alloy_wt_pct)
    jacket = even_section(Shape.PLATE, step.thickness_m, carbon, layer)
    parts = (jacket,) * step.front + (state.section,) + (jacket,) * step.back
    section = stacked(parts)
    # From here on: what each layer gives to the others.
    return replace(_soft(state), section=section, received_wt_pct=np.zeros((state.members, len(section.layers))))


# Heats


def heated_in_run(state: PieceState, heat: RecordedHeat) -> PieceState:
    """The piece after a recorded run: every member with its own thermocouple, canister and pack, as in its review.

    Raises   InputFault, OutOfRange    the sheet does not fit the piece, or a skin that cannot be heated so
    """
    state = _ready_for_heat(state)
    sheet = _sheet_for(state, heat.sheet)
    known = heat.sheet.thermocouple or heat.thermocouple
    everyone = uncertainty.problem_from_sheet(sheet, known, members=state.members)
    alone = uncertainty.problem_from_sheet(sheet, known, members=1, economy=uncertainty.AS_NOMINAL)

    def through(problem: uncertainty.EnsembleProblem, section: Section) -> uncertainty.Members:
        spread = uncertainty.carbon_spread(problem.draws)
        own = carbon_problem.problem_from_sheet(sheet, spread, section=section)
        problem = replace(problem, carbon=replace(own, tolerance_wt_pct=problem.carbon.tolerance_wt_pct))
        begun = uncertainty.advance(problem, uncertainty.begin(problem), heat.history)
        return uncertainty.at_end(problem, begun, with_soak=False)

    members = through(everyone, state.section)
    nominal = through(alone, _only_nominal(state.section))
    result = _taken_over(state, members.carbon, nominal.carbon)
    return _after_heat(result, float(nominal.peak_K[0]), purpose=None)


def heated(state: PieceState, step: HeatTyped) -> PieceState:
    """The piece after a heat typed in: at one temperature, each member at its own.

    Raises   InputFault, OutOfRange    a skin that cannot be heated so, a pack that cannot be
    """
    state = _ready_for_heat(state)
    surface, pack = step.surface, Pack(step.recipe, lot=step.pack_lot) if step.surface is SurfaceKind.PACK else None
    faces = None if pack is not None else surface
    piece = Piece(state.section.shape, state.section.size_m, 0.0, front=faces, back=_back(state, faces))
    sheet = RunSheet(piece, pack, correction=step.correction)
    draws = uncertainty.draw(sheet, Thermocouple(), state.members)
    time_s = np.linspace(0.0, step.duration_s, HEAT_SAMPLES)
    by_eye = uncertainty.normal_draws(state.members, uncertainty.SEED, 12)
    temperature_K = np.minimum(step.temperature_K + step.spread_K * by_eye, HIGHEST_K - 1.0)

    def through(spread: carbon_problem.SheetSpread | None, section: Section, at_K: FloatArray) -> CarbonMembers:
        problem = carbon_problem.problem_from_sheet(sheet, spread, section=section)
        if spread is not None:
            problem = replace(problem, tolerance_wt_pct=uncertainty.STEP_TOLERANCE_WT_PCT)
        steady_K = np.repeat(at_K[:, None], time_s.size, axis=1)
        return carbon_profile.members_at_end(
            problem, carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, steady_K)
        )

    members = through(uncertainty.carbon_spread(draws), state.section, temperature_K)
    nominal = through(None, _only_nominal(state.section), temperature_K[:1])
    result = _after_heat(_taken_over(state, members, nominal), step.temperature_K, purpose=step.purpose)
    if result.quench is not None:
        # Not hot enough to undo a quench: a temper, whatever it was meant as.
        return _tempered(result, (Hold(step.temperature_K, step.duration_s),))
    return result


def _ready_for_heat(state: PieceState) -> PieceState:
    """The piece in fresh cells."""
    state = _merged(state)
    return replace(state, section=recut(state.section))


def _merged(state: PieceState) -> PieceState:
    """The piece with layers that have evened out told apart no longer, where there are many."""
    section, number = quiet_layers_merged(state.section)
    old_part_m = np.array([np.ptp(state.section.layer_edges_m(old)) for old in range(number.size)])
    owner = np.equal.outer(number, np.arange(len(section.layers)))
    received = state.received_wt_pct @ (owner * old_part_m[:, None]) / (old_part_m @ owner)
    return replace(state, section=section, received_wt_pct=received)


def _sheet_for(state: PieceState, sheet: RunSheet) -> RunSheet:
    """The run's sheet with this piece on it; its targets were about another."""
    stated = sheet.piece
    has_pack = sheet.pack is not None or any(stage.pack for stage in sheet.stages)
    front = stated.front if has_pack or stated.front is not SurfaceKind.PACK else None
    back = None if state.section.shape is Shape.ROUND else stated.back
    if stated.shape is Shape.ROUND and state.section.shape is not Shape.ROUND:
        back = front
    mean = float(state.section.mean_wt_pct[0])
    piece = Piece(state.section.shape, state.section.size_m, min(mean, 2.0), dict(stated.alloy_wt_pct), (), front=front)
    return replace(sheet, piece=replace(piece, back=back, iron_lot=stated.iron_lot), targets=())


def _back(state: PieceState, faces: SurfaceKind | None) -> SurfaceKind | None:
    return None if state.section.shape is Shape.ROUND else faces


def _only_nominal(section: Section) -> Section:
    return replace(section, carbon_wt_pct=section.carbon_wt_pct[:1])


def _taken_over(state: PieceState, members: CarbonMembers, nominal: CarbonMembers) -> PieceState:
    """The piece with the carbon the solver has left in its cells; the nominal piece's from its own finer steps."""
    before = state.section
    carbon = members.carbon_wt_pct[:, 1:-1].copy()
    carbon[0] = nominal.carbon_wt_pct[0, 1:-1]
    section = replace(before, carbon_wt_pct=carbon)
    change = np.stack(
        [section.layer_mean_wt_pct(each) - before.layer_mean_wt_pct(each) for each in range(len(section.layers))],
        axis=1,
    )
    last_heat = member_result(nominal, 0)
    told = [_over(warning) for warning in last_heat.warnings]
    return replace(
        state,
        section=section,
        received_wt_pct=state.received_wt_pct + change,
        gain_kg_per_m2=section.carbon_kg_per_m2 - before.carbon_kg_per_m2,
        warnings=tuple(warning for warning in told if warning.kind in OF_A_STEP),
        last_heat=last_heat,
    )


def _over(warning: CarbonWarning) -> CarbonWarning:
    """What was molten while the heat lasted is cast iron at the bench."""
    if warning.kind is not CarbonWarningKind.MOLTEN:
        return warning
    return CarbonWarning(CarbonWarningKind.HAS_MELTED, HAS_MELTED_WORDS, warning.duration_s)


HAS_MELTED_WORDS = "Its skin has melted and is cast iron now: grind it off."

OF_A_STEP = frozenset(
    {
        CarbonWarningKind.HAS_MELTED,
        CarbonWarningKind.NEAR_MELTING,
        CarbonWarningKind.NETWORK,
    }
)
"""Warnings of a heat that still matter at the bench."""


def _after_heat(state: PieceState, peak_K: float, purpose: HeatFor | None) -> PieceState:
    """What a heat makes of hardness and grain."""
    start_K = min(ac1_K(layer.alloy_wt_pct) for layer in state.section.layers)
    state = replace(state, peak_K=peak_K)
    if peak_K < start_K:
        return state
    coarse = state.coarse or peak_K > COARSENS_ABOVE_K
    if purpose is HeatFor.NORMALIZE:
        carbon_wt_pct = min(float(np.median(state.section.carbon_wt_pct[0])), 2.0)
        complete_K = critical_points(carbon_wt_pct, state.section.layers[0].alloy_wt_pct).complete_K
        refined = complete_K <= peak_K <= COARSENS_ABOVE_K
        return replace(_soft(state), condition=Condition.NORMALIZED, coarse=coarse and not refined)
    return replace(_soft(state), coarse=coarse)


def _soft(state: PieceState) -> PieceState:
    return replace(state, condition=Condition.SOFT, quench=None, tempers=())


# Everything done cold, and forging


def _ground(state: PieceState, front_m: float, back_m: float) -> PieceState:
    section, left = ground(state.section, front_m, back_m)
    return replace(state, section=section, received_wt_pct=state.received_wt_pct[:, left])


def _used(state: PieceState, count: int) -> PieceState:
    if count > state.count:
        raise InputFault(Fault(f"piece {state.name}", f"{count} wanted, {state.count} left", f"{state.count} or fewer"))
    return replace(state, count=state.count - count)


def _drawn_out(state: PieceState, size_m: float, width_m: float | None) -> PieceState:
    thickest_m = MOST_UPSET * state.section.size_m
    if not 0.0 < size_m <= thickest_m:
        why = "forged thinner, or upset to twice its size at most"
        raise InputFault(RangeFault.of("draw out", size_m, SMALLEST_PIECE_M, thickest_m, "m", why))
    section = drawn_out(state.section, size_m)
    thinner = state.section.size_m / size_m
    if state.section.shape is Shape.ROUND:
        if width_m is not None:
            raise InputFault(Fault("draw out", "a width of a round", "its new diameter only"))
        return replace(
            _soft(state), section=section, length_m=None if state.length_m is None else state.length_m * thinner**2
        )
    wider = 1.0 if width_m is None or state.width_m is None else width_m / state.width_m
    length_m = None if state.length_m is None else state.length_m * thinner / wider
    return replace(
        _soft(state),
        section=section,
        width_m=state.width_m if width_m is None else width_m,
        length_m=length_m,
    )


def refolded(state: PieceState) -> PieceState:
    """The piece turned back on itself, front face inside, and drawn out again to the thickness it had.

    Raises   InputFault    a round, or too many layers that are not even
    """
    _check_flat(state, "fold")
    double = stacked((turned_over(state.section), state.section))
    section = drawn_out(double, state.section.depth_m)
    received = np.concatenate([state.received_wt_pct[:, ::-1], state.received_wt_pct], axis=1)
    folded = _merged(replace(_soft(state), section=section, received_wt_pct=received))
    if len(folded.section.layers) > MOST_FOLDED_LAYERS:
        found = f"{len(folded.section.layers)} layers that are not even"
        raise InputFault(Fault("fold", found, "a welding heat between the folds first"))
    return folded


MOST_FOLDED_LAYERS = 128
"""More uneven layers than this want a heat first, which a weld needs anyway (our choice)."""


def _cut(state: PieceState, pieces: int, across: bool) -> PieceState:
    if state.section.shape is Shape.ROUND and across:
        raise InputFault(Fault("cut", "a round across its width", "along its length"))
    size_m = state.width_m if across else state.length_m
    part_m = None if size_m is None else size_m / pieces
    changed = replace(state, count=state.count * pieces)
    return replace(changed, width_m=part_m) if across else replace(changed, length_m=part_m)


def _quenched(state: PieceState, step: Quench) -> PieceState:
    start_K = max(ac1_K(layer.alloy_wt_pct) for layer in state.section.layers)
    if not start_K < step.temperature_K <= EUTECTIC_K:
        why = "below it nothing hardens, above it a carburized skin melts"
        raise InputFault(RangeFault.of("quench, temperature", step.temperature_K, start_K, EUTECTIC_K, "K", why))
    coarse = state.coarse or step.temperature_K > COARSENS_ABOVE_K
    return replace(state, condition=Condition.QUENCHED, quench=step, tempers=(), coarse=coarse)


def _tempered(state: PieceState, holds: tuple[Hold, ...]) -> PieceState:
    if state.quench is None:
        raise InputFault(Fault(f"temper {state.name}", f"a piece that is {state.condition}", "one that was quenched"))
    return replace(state, condition=Condition.TEMPERED, tempers=(*state.tempers, *holds))


def hold_of_run(heat: RecordedHeat) -> Hold:
    """A recorded temper as the hold at its highest temperature that tempers as much.

    Raises   InputFault    no temper in that run
    """
    sheet = replace(heat.sheet, pack=None)
    problem = uncertainty.problem_from_sheet(
        sheet, heat.sheet.thermocouple or heat.thermocouple, members=1, economy=uncertainty.AS_NOMINAL
    )
    if problem.softening is None:
        raise InputFault(Fault("temper", "a run without a temper in it", "one whose sheet has a temper"))
    state = uncertainty.advance(problem, uncertainty.begin(problem), heat.history)
    members = uncertainty.at_end(problem, state, with_soak=False)
    parameter_K, peak_K = float(members.tempering_parameter_K[0]), float(members.peak_K[0])
    if not np.isfinite(parameter_K):
        raise InputFault(Fault("temper", "a run that never got to tempering heat", "one that did"))
    constant = float(np.atleast_1d(problem.softening.constant)[0])
    return Hold(peak_K, float(equivalent_time_s(parameter_K, peak_K, constant)))


def total_parameter_K(holds: tuple[Hold, ...], constant: FloatArray) -> FloatArray:
    """Tempering parameter [K] of several holds one after the other, by additivity, for each of several constants.

    Parameters
    ----------
    holds : the tempers, at least one
    constant : array        Hollomon-Jaffe constants for time in hours [-]
    """
    at_K = max(hold.temperature_K for hold in holds)
    total_s = np.zeros_like(constant)
    for hold in holds:
        own_K = tempering_parameter_K(hold.temperature_K, hold.duration_s, constant)
        total_s = total_s + equivalent_time_s(own_K, at_K, constant)
    return tempering_parameter_K(at_K, total_s, constant)
