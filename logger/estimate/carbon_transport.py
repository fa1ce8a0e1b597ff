"""One implicit step of carbon through a section whose cells may be ferrite, austenite, carbide-bearing or molten.

Conserved is each cell's total carbon u. What moves it is the integral of diffusivity over carbon, phi(u): it rises in
ferrite, in austenite and in liquid and stays level where two phases share a cell, so a melt or ferrite front moves
through the grid by itself and every face between two cells passes on exactly what it takes. Each end node has no
volume; its unknown is the austenite-equivalent carbon w at the face, tied to the pack by J = beta (w_pack - w).

Time: two backward stages of one step (second order, L-stable; R. Alexander, SIAM Journal on Numerical Analysis 14
(1977) 1006), each solved by Newton's method with one tridiagonal system for all members laid end to end.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import sqrt

import numpy as np

from logger.estimate.carbon_problem import NOTHING, CarbonProblem, Surface, kept_wt_pct, offered_wt_pct
from logger.estimate.diffusivity_table import CARBON_STEP_WT_PCT, POINTS, integral_table
from logger.estimate.lapack import dgtsv
from logger.estimate.melt_front import MeltFront
from logger.steel.carbon_diffusion import DiffusivityLaw
from logger.steel.phase_limits import (
    A3,
    FERRITE_D,
    FERRITE_LIMIT,
    HIGHEST_W,
    LIQUID_D,
    LIQUID_SLOPE,
    LIQUIDUS,
    SATURATION,
    phase_table,
)
from logger.units import FloatArray

STAGE_PART = 1.0 - np.sqrt(0.5)
"""Each stage is a backward step of this part of the whole."""

MOST_ITERATIONS = 40
FRONT_ITERATIONS = 20
"""In so many of them the boundary of the liquid is moved by `MeltFront`; after that it is left to Newton's method."""

SMOOTH_CHANGE_PART = 5.0
"""Newton's last change may be this many step tolerances: what is left is its square."""

KINK_WT_PCT = 1e-7
"""How far past a phase limit an iterate is put when Newton's method would jump across it."""


@dataclass(frozen=True, eq=False)
class Span:
    """A stretch of time the solver steps over at once.

    end_s : when it ends [s]
    hot_s : (m,)                             seconds above A1
    temperature_K : (m,)                     Arrhenius average
    work_s, mean_work_s : (m,), their mean   relative mobility integrated over it [s]
    line_K : (3, m)                          temperatures at its beginning, at the step's first stage, at its end
    """

    end_s: float
    hot_s: FloatArray
    temperature_K: FloatArray
    work_s: FloatArray
    mean_work_s: float
    line_K: FloatArray

    @cached_property
    def stage_K(self) -> tuple[FloatArray, FloatArray]:
        """Temperatures at the step's two stages, (m,) each."""
        return self.line_K[1], self.line_K[2]

    @cached_property
    def stage_phases(self) -> tuple[FloatArray, FloatArray]:
        """Rows of the phase table at its two stages, (m, columns) each."""
        rows = phase_table().at(self.line_K[1:].ravel()).reshape(2, self.hot_s.size, -1)
        return rows[0], rows[1]

    @cached_property
    def extremes_K(self) -> tuple[float, float]:
        """The least and the most of its temperatures."""
        return float(self.line_K.min()), float(self.line_K.max())

    @cached_property
    def highest_wt_pct(self) -> FloatArray:
        """The most a pack can offer austenite at its beginning, first stage and end, (3, m) [wt%]."""
        return phase_table().column_at(HIGHEST_W, self.line_K)


@dataclass(frozen=True, slots=True, eq=False)
class Advanced:
    """What a step came to: new nodes, their rate at its end, its estimated error [wt%]; or that it failed."""

    nodes: FloatArray
    rate: FloatArray
    error_wt_pct: float
    converged: bool


class Potential:
    """phi(u) and its slope for every member at one temperature each."""

    def __init__(self, problem: CarbonProblem, temperature_K: FloatArray) -> None:
        laws = _members_by_law(problem)
        if len(laws) == 1:
            self.table = integral_table(problem.laws[0]).at(temperature_K)
        else:
            self.table = np.empty((temperature_K.size, 2 * POINTS))
            for law, own in laws:
                self.table[own] = integral_table(law).at(temperature_K[own])
        self.table *= problem.multiplier[:, None]
        self.rows = None if temperature_K.size == 1 else 2 * POINTS * np.arange(temperature_K.size)[:, None]

    def austenite(self, carbon_wt_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Integral of the diffusivity [wt% m2/s] and diffusivity [m2/s] at austenite carbons, (m, k)."""
        place = carbon_wt_pct * (1.0 / CARBON_STEP_WT_PCT)
        index = place.astype(np.int64)
        np.minimum(np.maximum(index, 0, out=index), POINTS - 1, out=index)
        place -= index
        if self.rows is not None:
            index += self.rows
        slope = self.table.take(index)
        index += POINTS
        place *= slope
        place *= CARBON_STEP_WT_PCT
        place += self.table.take(index)
        return place, slope

    def nodes(self, nodes: FloatArray, phases: FloatArray, mixed: bool) -> tuple[FloatArray, FloatArray, np.ndarray]:
        """phi [wt% m2/s], its slope [m2/s] and the region number of every node; ``phases``: rows of the phase table.

        The two end nodes are carbon w, the others u [wt%].

        Without `mixed` every node is known to be single-phase austenite.
        """
        if not mixed:
            phi, slope = self.austenite(nodes)
            return phi, slope, _NO_REGIONS
        ferrite, a3 = phases[:, FERRITE_LIMIT, None], phases[:, A3, None]
        saturation, liquidus = phases[:, SATURATION, None], phases[:, LIQUIDUS, None]
        u = nodes.copy()
        u[:, :: _last(nodes)], face_slope = face_carbon(nodes[:, :: _last(nodes)], phases)
        region = _regions(u, ferrite, a3, saturation, liquidus)
        # A face holds one phase; right on a limit, rounding must not make it a mixture.
        ends = region[:, :: _last(nodes)]
        ends[(ends == 1) | (ends == 3)] = 2
        inside = np.minimum(np.maximum(u, a3), saturation)
        phi, slope = self.austenite(inside)
        phi -= self.austenite(a3)[0]
        slope *= region == 2
        if float(ferrite.max()) > 0.0:
            D_ferrite = phases[:, FERRITE_D, None]
            phi += D_ferrite * np.minimum(u, ferrite)
            slope += D_ferrite * (region == 0)
        if float(u.max()) > float(liquidus.min()):
            D_liquid = phases[:, LIQUID_D, None]
            phi += D_liquid * np.maximum(u - liquidus, 0.0)
            slope += D_liquid * (region == 4)
        slope[:, :: _last(nodes)] *= face_slope
        return phi, slope, region


_NO_REGIONS = np.zeros(0, dtype=np.int8)


def _last(nodes: FloatArray) -> int:
    return int(nodes.shape[1]) - 1


def _regions(
    u: FloatArray, ferrite: FloatArray, a3: FloatArray, saturation: FloatArray, liquidus: FloatArray
) -> np.ndarray:
    """0 ferrite, 1 ferrite + austenite, 2 austenite, 3 austenite + cementite or liquid, 4 liquid."""
    has_ferrite = a3 > 0.0
    region: np.ndarray = (u > np.where(has_ferrite, ferrite, -1.0)).view(np.int8)
    for limit in (np.where(has_ferrite, a3, -1.0), saturation, liquidus):
        region += u > limit
    return region


def face_carbon(w: FloatArray, phases: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Carbon of the single phase that has austenite-equivalent carbon w [wt%], (m, k), and its change per change of w.

    ``phases`` are rows of the phase table, (m, columns).
    """
    ferrite, a3 = phases[:, FERRITE_LIMIT, None], phases[:, A3, None]
    saturation, liquidus = phases[:, SATURATION, None], phases[:, LIQUIDUS, None]
    in_ferrite, in_liquid = w < a3, w > saturation
    ferrite_part = np.where(a3 > 0.0, ferrite / np.where(a3 > 0.0, a3, 1.0), 1.0)
    per_w = 1.0 / phases[:, LIQUID_SLOPE, None]
    u = np.where(in_ferrite, w * ferrite_part, np.where(in_liquid, liquidus + (w - saturation) * per_w, w))
    slope = np.where(in_ferrite, ferrite_part, np.where(in_liquid, per_w, 1.0))
    return u, slope


def austenite_equivalent_wt_pct(u: FloatArray, phases: FloatArray) -> FloatArray:
    """Austenite-equivalent carbon w of cells of total carbon u [wt%], (m, k); ``phases``: rows of the phase table."""
    ferrite, a3 = phases[:, FERRITE_LIMIT, None], phases[:, A3, None]
    saturation, liquidus = phases[:, SATURATION, None], phases[:, LIQUIDUS, None]
    w = np.minimum(np.maximum(u, a3), saturation)
    w = np.where(u < ferrite, u * a3 / np.where(ferrite > 0.0, ferrite, 1.0), w)
    result: FloatArray = np.where(u > liquidus, saturation + (u - liquidus) * phases[:, LIQUID_SLOPE, None], w)
    return result


@lru_cache(maxsize=64)
def _members_by_law(problem: CarbonProblem) -> list[tuple[DiffusivityLaw, np.ndarray]]:
    """Each diffusivity law with the numbers of the members that go by it."""
    numbers: dict[DiffusivityLaw, list[int]] = {}
    for number, law in enumerate(problem.laws):
        numbers.setdefault(law, []).append(number)
    return [(law, np.array(own)) for law, own in numbers.items()]


@dataclass(frozen=True, slots=True, eq=False)
class Geometry:
    """The grid's numbers as the assembly wants them."""

    volume: FloatArray  # (N,), 0 at the ends
    four_volumes: FloatArray
    volume_by_gamma: FloatArray
    conductance: FloatArray  # (N - 1,)
    minus_conductance: FloatArray  # (N,), 0 at the last
    both: FloatArray  # (N,) sum of the conductances on either side
    total_volume: float


@lru_cache(maxsize=64)
def geometry_of(problem: CarbonProblem) -> Geometry:
    grid = problem.grid
    both = np.zeros(grid.volume_m.size)
    both[:-1] += grid.conductance_per_m
    both[1:] += grid.conductance_per_m
    volume, conductance = grid.volume_m, grid.conductance_per_m
    minus = -np.append(conductance, 0.0)
    return Geometry(volume, 4.0 * volume, 2.0 * volume, conductance, minus, both, float(volume.sum()))


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """What one face touches at one moment, each (m,): mass transfer [m/s] where finite, where pinned, and its carbon.

    Steel with less than ``w`` [wt%] takes carbon up; steel with more than ``kept`` gives it off; None: the same.
    """

    transfer: FloatArray
    pinned: np.ndarray | None
    w: FloatArray
    kept: FloatArray | None

    def beside(self, steel_wt_pct: FloatArray) -> "Contact":
        """What it is for steel of this austenite-equivalent carbon [wt%], (m,), just below the face."""
        if self.kept is None:
            return self
        gives_off = steel_wt_pct > self.kept
        at_rest = (steel_wt_pct > self.w) & ~gives_off
        pinned = None if self.pinned is None else self.pinned & ~at_rest
        return Contact(np.where(at_rest, 0.0, self.transfer), pinned, np.where(gives_off, self.kept, self.w), None)


def contact(surface: Surface, temperature_K: FloatArray, phases: FloatArray, hottest_K: FloatArray) -> Contact | None:
    """What the surface offers and takes back, as `offered_wt_pct` and `kept_wt_pct` say; None for a sealed face.

    Parameters
    ----------
    surface : what the face touches
    temperature_K : (m,)          temperatures [K]
    phases : (m, columns)         rows of the phase table there [wt%, K]
    hottest_K : (m,)              hottest since it began to touch it [K]
    """
    if surface is NOTHING:
        return None
    beta = surface.transfer_at(temperature_K)
    w = offered_wt_pct(surface, temperature_K, phases[:, HIGHEST_W], phases[:, A3])
    kept = kept_wt_pct(surface, hottest_K, phases[:, HIGHEST_W], w)
    pinned = np.isinf(beta)
    if not pinned.any():
        return Contact(beta, None, w, kept)
    return Contact(np.where(pinned, 0.0, beta), np.broadcast_to(pinned, w.shape), w, kept)


def step(
    problem: CarbonProblem,
    nodes: FloatArray,
    rate: FloatArray | None,
    span: Span,
    surfaces: tuple[Surface, Surface],
    reach_s: float,
    phases_before: FloatArray,
    hottest_K: FloatArray,
) -> Advanced:
    """One step over a span.

    Parameters
    ----------
    problem : the problem
    nodes : (m, n + 2)          carbon u of the cells [wt%, solver's scale], w at the two faces
    rate : (m, n + 2)           rate of the cells at its beginning [wt% per s of relative mobility]; None: unknown
    span : the stretch of time, its temperatures
    surfaces : what the front and the back face touch over it
    reach_s : relative mobility integrated since the surfaces last changed, this step not included [s]
    phases_before : (m, columns) rows of the phase table [each in its own unit] where the step before ended
    hottest_K : (m,)            hottest since the surfaces last changed [K]
    """
    phi = Potential(problem, span.temperature_K)
    work = span.work_s[:, None]
    stage_work = STAGE_PART * work
    duration_s = STAGE_PART * span.hot_s
    guess = nodes if rate is None else nodes + stage_work * rate
    first = _solve(problem, phi, nodes, guess, duration_s, span.stage_K[0], span.stage_phases[0], surfaces, hottest_K)
    if first is None:
        return Advanced(nodes, nodes, np.inf, False)
    change = first[0] - nodes
    start = nodes + (1.0 / STAGE_PART - 1.0) * change
    guess = nodes + (1.0 / STAGE_PART) * change if rate is None else _extrapolated(nodes, change, rate, work)
    second = _solve(problem, phi, start, guess, duration_s, span.stage_K[1], span.stage_phases[1], surfaces, hottest_K)
    if second is None:
        return Advanced(nodes, nodes, np.inf, False)
    u, matrix, region = second
    # A member below A1 all through does no work here: rounding must not look like a rate.
    safe_work = np.where(stage_work > 0.0, stage_work, np.inf)
    new_rate = (u - start) / safe_work
    first_rate = change / safe_work
    new_rate[:, 0] = new_rate[:, -1] = 0.0
    if rate is None:
        # Nothing known of the beginning: difference to a first-order step, the safe side.
        defect = stage_work * (new_rate - first_rate)
    else:
        defect = work * (_ERROR_0 * rate + _ERROR_1 * first_rate + _ERROR_2 * new_rate)
    geometry = geometry_of(problem)
    error = _filtered(geometry, defect, matrix)
    if region is not None:
        error = np.where(_away_from_fronts(region), error, 0.0)
        between = (phases_before, *span.stage_phases)
        if _limits_passed(nodes, between) or _limits_passed(first[0], between):
            # Steel turns to another phase as the temperature moves: the second stage would go on from where the first
            # would have led, had it not. One backward step over the whole span never overshoots; being of first order
            # only, it has to come near the two stages where they can be trusted.
            whole = _solve(
                problem, phi, nodes, u, span.hot_s, span.stage_K[1], span.stage_phases[1], surfaces, hottest_K
            )
            if whole is None:
                return Advanced(nodes, nodes, np.inf, False)
            away = _away_from_fronts(region)
            if whole[2] is not None:
                away &= _away_from_fronts(whole[2])
            away[:, 0] = away[:, -1] = False
            error = np.where(away, np.maximum(np.abs(error), BACKWARD_PART * np.abs(whole[0] - u)), error)
            u = whole[0]
            new_rate = (u - nodes) / np.where(work > 0.0, work, np.inf)
            new_rate[:, 0] = new_rate[:, -1] = 0.0
    return Advanced(u, new_rate, error_size_wt_pct(problem, error, reach_s + span.mean_work_s), True)


def error_size_wt_pct(problem: CarbonProblem, error: FloatArray, reach_s: float) -> float:
    """How large a step's ``error`` [wt%], (m, n + 2), is for the worst member, the mean taken as deep as carbon came.

    ``reach_s`` is the relative mobility integrated since the surfaces last changed [s].
    """
    geometry = geometry_of(problem)
    reached_m = sqrt(_REACH_M2_PER_S * reach_s)
    squared = error * error
    mean_square = float((squared @ geometry.volume).max()) / min(reached_m, geometry.total_volume)
    return max(sqrt(mean_square), PEAK_PART * sqrt(float(squared.max())))


_REACH_M2_PER_S = 1.4e-11
"""Diffusivity at the reference temperature: how far carbon reaches, for the mean error's depth."""

FRONT_CELLS = 2
"""This many cells beside a melt, carbide or ferrite front take no part in a step's error."""

BACKWARD_PART = 0.2
"""This part of what a single backward step differs by from the two stages counts as its error. Measured over 180 random
heats: enough to keep the promised accuracy; all of it would cost a melting heat two and a half times the work."""

PEAK_PART = 0.05
"""A step's error is its root mean square over the depth carbon has reached, but at least this part of its peak."""

_ERROR_0 = 0.5 - 1.0 / (6.0 * STAGE_PART)
_ERROR_1 = 1.0 / (6.0 * STAGE_PART * (1.0 - STAGE_PART)) - (1.0 - STAGE_PART)
_ERROR_2 = (2.0 - 3.0 * STAGE_PART) / (6.0 * (1.0 - STAGE_PART)) - STAGE_PART
"""Weights of the third-order rule on the rates at 0, the first stage and 1, less the step's own weights."""


def _extrapolated(nodes: FloatArray, change: FloatArray, rate: FloatArray, work: FloatArray) -> FloatArray:
    """A parabola through the beginning, its slope there and the first stage, at the end of the step."""
    g = STAGE_PART
    line = work * rate
    result: FloatArray = nodes + line + (change - g * line) / (g * g)
    return result


Matrix = tuple[FloatArray, FloatArray, FloatArray]


def _solve(
    problem: CarbonProblem,
    phi: Potential,
    start: FloatArray,
    guess: FloatArray,
    duration_s: FloatArray,
    temperature_K: FloatArray,
    phases: FloatArray,
    surfaces: tuple[Surface, Surface],
    hottest_K: FloatArray,
) -> tuple[FloatArray, Matrix, np.ndarray | None] | None:
    """Nodes after a backward step; None if Newton's method does not settle.

    Also the last matrix and, where phases mix, every node's region.
    """
    geometry = geometry_of(problem)
    members, count = start.shape
    h = duration_s[:, None]
    flow, both, volume = h * geometry.conductance, h * geometry.both, geometry.volume
    touched = [
        (end, touch)
        for end, surface in zip((0, -1), surfaces, strict=True)
        if (touch := contact(surface, temperature_K, phases, hottest_K)) is not None
    ]
    u = np.maximum(guess, 0.0)
    highest = float(phases[:, SATURATION].min())
    mixed = float(phases[:, A3].max()) > 0.0 or float(start.max()) > highest
    accept = SMOOTH_CHANGE_PART * problem.tolerance_wt_pct
    idle = None if duration_s.min() > 0.0 else duration_s == 0.0  # members still below A1: nothing moves there
    lower, upper = np.zeros((members, count)), np.zeros((members, count))
    fronts: dict[int, MeltFront] = {}
    for iteration in range(MOST_ITERATIONS):
        mixed = mixed or float(u.max()) > highest
        value, slope, region = phi.nodes(u, phases, mixed)
        across = flow * (value[:, 1:] - value[:, :-1])
        residual = volume * (u - start)
        residual[:, :-1] -= across
        residual[:, 1:] += across
        np.multiply(flow, slope[:, 1:], out=upper[:, :-1])
        np.multiply(flow, slope[:, :-1], out=lower[:, :-1])
        diagonal = both * slope
        diagonal += volume
        for end, may_touch in touched:
            touch = may_touch.beside(_below(end, u, phases, mixed))
            inward = touch.transfer * duration_s
            residual[:, end] -= inward * (touch.w - u[:, end])
            diagonal[:, end] += inward
            if touch.pinned is not None:
                residual[touch.pinned, end] = (u[:, end] - touch.w)[touch.pinned]
                diagonal[touch.pinned, end] = 1.0
                if end == 0:
                    upper[touch.pinned, 0] = 0.0
                else:
                    lower[touch.pinned, -2] = 0.0
        if idle is not None:
            diagonal[idle, 0] = diagonal[idle, -1] = 1.0
        matrix = (-lower.ravel()[:-1], diagonal.ravel(), -upper.ravel()[:-1])
        _, _, _, change, info = dgtsv(*matrix, residual.ravel())
        if info != 0:
            return None
        change = change.reshape(members, count)
        biggest = max(float(change.max()), -float(change.min()))
        if not biggest < 1e6:
            return None
        new = u - change
        chopped = False
        if mixed:
            newton = new.copy()
            new, chopped = _chopped(new, region, phases)
            if iteration < FRONT_ITERATIONS:
                for end, _ in touched:
                    chopped |= _front_placed(fronts, end, start, volume, new, newton, region, phases)
        u = new
        if not chopped and biggest < accept:
            return u, matrix, region if mixed else None
    return None


def _front_placed(
    fronts: dict[int, MeltFront],
    end: int,
    start: FloatArray,
    volume_m: FloatArray,
    new: FloatArray,
    newton: FloatArray,
    region: np.ndarray,
    phases: FloatArray,
) -> bool:
    """Whether the boundary of the liquid below the face ``end`` (0 or -1) was moved in ``new``; see `MeltFront`."""
    liquidus = phases[:, LIQUIDUS]
    if end not in fronts and not (newton[:, 1 if end == 0 else -2] > liquidus).any():
        return False
    inward = slice(None, None, 1 if end == 0 else -1)
    if end not in fronts:
        fronts[end] = MeltFront(start[:, inward], volume_m[inward], phases[:, SATURATION], liquidus)
    return fronts[end].placed(new[:, inward], newton[:, inward], region[:, inward], KINK_WT_PCT)


def _below(end: int, u: FloatArray, phases: FloatArray, mixed: bool) -> FloatArray:
    """Austenite-equivalent carbon of the cell below a face, the first (0) or the last (-1) node, (m,) [wt%]."""
    cell = u[:, [1 if end == 0 else -2]]
    result: FloatArray = (austenite_equivalent_wt_pct(cell, phases) if mixed else cell)[:, 0]
    return result


def _limits_passed(nodes: FloatArray, phases: tuple[FloatArray, ...]) -> bool:
    """Whether a phase limit moves past the carbon some cell has, from one row of the phase table to a later one."""
    cells = nodes[:, 1:-1]
    for column in (FERRITE_LIMIT, A3, SATURATION, LIQUIDUS):
        limits = np.array([row[:, column] for row in phases])
        lowest, highest = limits.min(axis=0)[:, None], limits.max(axis=0)[:, None]
        if ((cells > lowest) & (cells <= highest)).any():
            return True
    return False


def _away_from_fronts(region: np.ndarray) -> np.ndarray:
    """Which nodes are of one phase, with neighbours of the same.

    A front fills one cell after the other, so carbon beside it moves in jerks no smaller step would smooth: an error of
    the grid, not of the step.
    """
    still: np.ndarray = region % 2 == 0
    for _ in range(FRONT_CELLS):
        still[:, 1:-1] &= still[:, 2:] & still[:, :-2]
    return still


def _chopped(new: FloatArray, region: np.ndarray, phases: FloatArray) -> tuple[FloatArray, bool]:
    """Newton's iterate, but a node that would leave its region only just crosses the first limit on its way.

    Also whether any node was held back: steel at rest on a limit, which crosses it by rounding alone, is not.
    """
    np.maximum(new, 0.0, out=new)
    ferrite, a3 = phases[:, FERRITE_LIMIT, None], phases[:, A3, None]
    saturation, liquidus = phases[:, SATURATION, None], phases[:, LIQUIDUS, None]
    new_region = _regions(new, ferrite, a3, saturation, liquidus)
    crossing = new_region != region
    crossing[:, 0] = crossing[:, -1] = False
    if not crossing.any():
        return new, False
    limits = np.stack([phases[:, column] for column in (FERRITE_LIMIT, A3, SATURATION, LIQUIDUS)])
    member, node = np.nonzero(crossing)
    old, going = region[member, node], new_region[member, node]
    up = going > old
    limit = limits[np.where(up, old, old - 1), member]
    crossed = limit + np.where(up, KINK_WT_PCT, -KINK_WT_PCT)
    too_far = np.where(up, new[member, node] > crossed, new[member, node] < crossed)
    new[member[too_far], node[too_far]] = crossed[too_far]
    return new, bool(too_far.any())


def _filtered(geometry: Geometry, defect: FloatArray, matrix: Matrix) -> FloatArray:
    """The defect after one backward step, so that what a stiff cell would damp at once does not count as error."""
    _, _, _, error, _ = dgtsv(*matrix, (defect * geometry.volume).ravel())
    result: FloatArray = error.reshape(defect.shape)
    return result


def face_now(
    problem: CarbonProblem,
    nodes: FloatArray,
    temperature_K: FloatArray,
    surfaces: tuple[Surface, Surface],
    hottest_K: FloatArray,
) -> FloatArray:
    """Austenite-equivalent carbon [wt%] at the two faces, (m, 2), that the ``nodes`` and the pack agree on.

    The step's own face values belong to its smoothed temperature; this is the one of the last reading. ``hottest_K``:
    hottest since the ``surfaces`` last changed, (m,) [K].
    """
    faces = nodes[:, [0, -1]].copy()
    phases = phase_table().at(temperature_K)
    phi = None
    conductance = geometry_of(problem).conductance
    for column, cell, g, surface in ((0, 1, conductance[0], surfaces[0]), (1, -2, conductance[-1], surfaces[1])):
        below = austenite_equivalent_wt_pct(nodes[:, [cell]], phases)[:, 0]
        may_touch = contact(surface, temperature_K, phases, hottest_K)
        if may_touch is None:
            # Nothing passes a sealed face: it is in equilibrium with the steel just below.
            faces[:, column] = below
            continue
        touch = may_touch.beside(below)
        if touch.pinned is None or not touch.pinned.all():
            phi = phi or Potential(problem, temperature_K)
            w = faces[:, column].copy()
            richest = max(float(w.max()), float(touch.w.max()), float(nodes[:, cell].max()))
            mixed = float(phases[:, A3].max()) > 0.0 or richest > float(phases[:, SATURATION].min())
            for _ in range(MOST_ITERATIONS):
                # Both ends of the short row are faces to `nodes`, so the cell sits in its middle.
                value, slope, _ = phi.nodes(np.stack([w, nodes[:, cell], w], axis=1), phases, mixed)
                out = g * (value[:, 0] - value[:, 1]) - touch.transfer * (touch.w - w)
                change = out / (g * slope[:, 0] + touch.transfer)
                w = np.maximum(w - change, 0.0)
                if float(np.abs(change).max()) < 1e-6:
                    break
            faces[:, column] = w
        if touch.pinned is not None:
            faces[:, column] = np.where(touch.pinned, touch.w, faces[:, column])
    return faces
