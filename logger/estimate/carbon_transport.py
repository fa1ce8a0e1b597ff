"""One implicit step of carbon through a section whose cells may be ferrite, austenite, carbide-bearing or molten.

Conserved is each cell's total carbon u. What moves it is the integral of diffusivity over carbon, phi(u): it rises in
ferrite, in austenite and in liquid and stays level where two phases share a cell, so a melt or ferrite front moves
through the grid by itself and every face between two cells passes on exactly what it takes. Each end node has no
volume; its unknown is the austenite-equivalent carbon w at the face, tied to the pack by J = beta (w_pack - w).

Time: two backward stages of one step (second order, L-stable; R. Alexander, SIAM Journal on Numerical Analysis 14
(1977) 1006), each solved by Newton's method with one tridiagonal system for all members laid end to end.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg.lapack import dgtsv

from logger.estimate.carbon_problem import CarbonProblem, Surface, limited_potential_wt_pct
from logger.steel.phase_limits import (
    A3,
    FERRITE_D,
    FERRITE_LIMIT,
    LIQUID_D,
    LIQUID_SLOPE,
    LIQUIDUS,
    SATURATION,
    phase_table,
)
from logger.units import FloatArray

STAGE_PART = 1.0 - np.sqrt(0.5)
"""Each stage is a backward step of this part of the whole."""

TABLE_TOP_WT_PCT = 2.4
TABLE_POINTS = 480
"""Diffusivity is tabulated over austenite's carbon once a step: 0.005 wt% apart, error of the integral below 1e-5."""

MOST_ITERATIONS = 40
SMOOTH_CHANGE_PART = 5.0
"""Newton's last change may be this many step tolerances: what is left is its square."""

KINK_WT_PCT = 1e-7
"""How far past a phase limit an iterate is put when Newton's method would jump across it."""


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """A stretch of time the solver steps over at once.

    end_s : when it ends [s]
    hot_s : (m,)                   seconds above A1
    temperature_K : (m,)           Arrhenius average
    mobility : (m,)                relative carbon mobility at it
    stage_K : two of (m,)          temperatures at the two stages of the step
    """

    end_s: float
    hot_s: FloatArray
    temperature_K: FloatArray
    mobility: FloatArray
    stage_K: tuple[FloatArray, FloatArray]


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
        carbon = np.linspace(0.0, TABLE_TOP_WT_PCT, TABLE_POINTS + 1)
        D = diffusivity_m2_per_s(problem, temperature_K[:, None], carbon[None, :])
        self.step = carbon[1]
        self.slope = 0.5 * (D[:, 1:] + D[:, :-1])
        self.value = np.zeros_like(D)
        np.cumsum(self.slope * self.step, axis=1, out=self.value[:, 1:])
        self.rows = None if D.shape[0] == 1 else np.arange(D.shape[0])[:, None]

    def austenite(self, carbon_wt_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Integral of the diffusivity [wt% m2/s] and diffusivity [m2/s] at austenite carbons, (m, k)."""
        place = carbon_wt_pct * (1.0 / self.step)
        index = place.astype(np.int64)
        np.minimum(np.maximum(index, 0, out=index), TABLE_POINTS - 1, out=index)
        if self.rows is None:
            slope, value = self.slope[0].take(index), self.value[0].take(index)
        else:
            slope, value = self.slope[self.rows, index], self.value[self.rows, index]
        place -= index
        place *= slope
        place *= self.step
        place += value
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
        face_slope = np.ones_like(nodes)
        u[:, :: _last(nodes)], face_slope[:, :: _last(nodes)] = face_carbon(nodes[:, :: _last(nodes)], phases)
        region = _regions(u, ferrite, a3, saturation, liquidus)
        # A face holds one phase; right on a limit, rounding must not make it a mixture.
        ends = region[:, :: _last(nodes)]
        ends[(ends == 1) | (ends == 3)] = 2
        inside = np.minimum(np.maximum(u, a3), saturation)
        phi, slope = self.austenite(inside)
        phi -= self.austenite(a3)[0]
        D_ferrite, D_liquid = phases[:, FERRITE_D, None], phases[:, LIQUID_D, None]
        phi += D_ferrite * np.minimum(u, ferrite)
        phi += D_liquid * np.maximum(u - liquidus, 0.0)
        slope = np.where(region == 2, slope, 0.0)
        slope = np.where(region == 0, D_ferrite, slope)
        slope = np.where(region == 4, D_liquid, slope)
        return phi, slope * face_slope, region


_NO_REGIONS = np.zeros(0, dtype=np.int64)


def _last(nodes: FloatArray) -> int:
    return int(nodes.shape[1]) - 1


def _regions(
    u: FloatArray, ferrite: FloatArray, a3: FloatArray, saturation: FloatArray, liquidus: FloatArray
) -> np.ndarray:
    """0 ferrite, 1 ferrite + austenite, 2 austenite, 3 austenite + cementite or liquid, 4 liquid."""
    region = np.where(a3 > 0.0, (u > ferrite).astype(np.int64) + (u > a3), 2)
    result: np.ndarray = region + (u > saturation) + (u > liquidus)
    return result


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


def diffusivity_m2_per_s(problem: CarbonProblem, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
    """Each member's austenite diffusivity [m2/s] at temperatures (m, 1) [K] and carbons (1, k) or (m, k) [wt%]."""
    laws = problem.laws
    if len(laws) == 1:
        D = laws[0].at(temperature_K, carbon_wt_pct)
    else:
        D = np.empty(np.broadcast_shapes(temperature_K.shape, carbon_wt_pct.shape))
        for law in dict.fromkeys(laws):
            own = np.array([other is law or other == law for other in laws])
            D[own] = law.at(temperature_K[own], carbon_wt_pct if carbon_wt_pct.shape[0] == 1 else carbon_wt_pct[own])
    result: FloatArray = D * problem.multiplier[:, None]
    return result


@dataclass(frozen=True, slots=True, eq=False)
class _Geometry:
    """The grid's numbers as the assembly wants them."""

    volume: FloatArray  # (N,), 0 at the ends
    conductance: FloatArray  # (N - 1,)
    both: FloatArray  # (N,) sum of the conductances on either side


@lru_cache(maxsize=64)
def _geometry(problem: CarbonProblem) -> _Geometry:
    grid = problem.grid
    both = np.zeros(grid.volume_m.size)
    both[:-1] += grid.conductance_per_m
    both[1:] += grid.conductance_per_m
    return _Geometry(grid.volume_m, grid.conductance_per_m, both)


def step(
    problem: CarbonProblem,
    nodes: FloatArray,
    rate: FloatArray | None,
    span: Span,
    surfaces: tuple[Surface, Surface],
) -> Advanced:
    """One step over a span.

    Parameters
    ----------
    problem : the problem
    nodes : (m, n + 2)          carbon u of the cells [wt%, solver's scale], w at the two faces
    rate : (m, n + 2)           rate of the cells at its beginning [wt% per s of relative mobility]; None: unknown
    span : the stretch of time, its temperatures
    surfaces : what the front and the back face touch over it
    """
    phi = Potential(problem, span.temperature_K)
    table = phase_table()
    hot_s = span.hot_s[:, None]
    work = hot_s * span.mobility[:, None]
    guess = nodes
    if rate is not None:
        guess = nodes + (STAGE_PART * work) * rate
    phases = table.at(span.stage_K[0])
    first = _solve(problem, phi, phases, nodes, guess, STAGE_PART * span.hot_s, span.stage_K[0], surfaces)
    if first is None:
        return Advanced(nodes, nodes, np.inf, False)
    change = first[0] - nodes
    start = nodes + (1.0 / STAGE_PART - 1.0) * change
    guess = nodes + (1.0 / STAGE_PART) * change if rate is None else _extrapolated(nodes, first[0], rate, work)
    phases = table.at(span.stage_K[1])
    second = _solve(problem, phi, phases, start, guess, STAGE_PART * span.hot_s, span.stage_K[1], surfaces)
    if second is None:
        return Advanced(nodes, nodes, np.inf, False)
    u, matrix, mixed, still = second
    safe_work = np.maximum(work, 1e-300)
    new_rate = (u - start) / (STAGE_PART * safe_work)
    first_rate = change / (STAGE_PART * safe_work)
    new_rate[:, [0, -1]] = 0.0
    if rate is None:
        # Nothing known of the beginning: difference to a first-order step, the safe side.
        defect = work * STAGE_PART * (new_rate - first_rate)
    else:
        defect = work * (_ERROR_0 * rate + _ERROR_1 * first_rate + _ERROR_2 * new_rate)
    error = _filtered(problem, defect, matrix)
    if mixed:
        error = np.where(still, error, 0.0)
    return Advanced(u, new_rate, float(np.max(np.abs(error[:, 1:-1]))), True)


_ERROR_0 = 0.5 - 1.0 / (6.0 * STAGE_PART)
_ERROR_1 = 1.0 / (6.0 * STAGE_PART * (1.0 - STAGE_PART)) - (1.0 - STAGE_PART)
_ERROR_2 = (2.0 - 3.0 * STAGE_PART) / (6.0 * (1.0 - STAGE_PART)) - STAGE_PART
"""Weights of the third-order rule on the rates at 0, the first stage and 1, less the step's own weights."""


def _extrapolated(nodes: FloatArray, first: FloatArray, rate: FloatArray, work: FloatArray) -> FloatArray:
    """A parabola through the beginning, its slope there and the first stage, at the end of the step."""
    g = STAGE_PART
    line = work * rate
    result: FloatArray = nodes + line + (first - nodes - g * line) / (g * g)
    return result


Matrix = tuple[FloatArray, FloatArray, FloatArray]


def _solve(
    problem: CarbonProblem,
    phi: Potential,
    phases: FloatArray,
    start: FloatArray,
    guess: FloatArray,
    duration_s: FloatArray,
    temperature_K: FloatArray,
    surfaces: tuple[Surface, Surface],
) -> tuple[FloatArray, Matrix, bool, np.ndarray] | None:
    """Nodes after a backward step; None if Newton's method does not settle.

    Also the last matrix, whether phases mix anywhere, and which nodes moved smoothly in one phase.
    """
    geometry = _geometry(problem)
    front, back = surfaces
    h = duration_s[:, None]
    flow = h * geometry.conductance
    volume = geometry.volume
    front_beta, back_beta = front.transfer_at(temperature_K), back.transfer_at(temperature_K)
    front_w = limited_potential_wt_pct(front.potential_at(temperature_K), phases)
    back_w = limited_potential_wt_pct(back.potential_at(temperature_K), phases)
    front_pinned, back_pinned = np.isinf(front_beta), np.isinf(back_beta)
    front_in = np.where(front_pinned, 0.0, front_beta) * duration_s
    back_in = np.where(back_pinned, 0.0, back_beta) * duration_s
    pinned_front, pinned_back = bool(front_pinned.any()), bool(back_pinned.any())

    u = guess.copy()
    if pinned_front:
        u[:, 0] = np.where(front_pinned, front_w, u[:, 0])
    if pinned_back:
        u[:, -1] = np.where(back_pinned, back_w, u[:, -1])
    np.maximum(u, 0.0, out=u)
    highest = float((phases[:, SATURATION]).min())
    ferritic = bool((phases[:, A3] > 0.0).any())
    members, count = u.shape
    accept = SMOOTH_CHANGE_PART * problem.tolerance_wt_pct
    diagonal = np.empty_like(u)
    lower, upper = np.zeros_like(u), np.zeros_like(u)
    residual = np.empty_like(u)
    mixed = ferritic or float(u.max()) > highest or float(start.max()) > highest
    for _ in range(MOST_ITERATIONS):
        mixed = mixed or float(u.max()) > highest
        value, slope, region = phi.nodes(u, phases, mixed)
        across = flow * (value[:, 1:] - value[:, :-1])
        np.multiply(volume, u - start, out=residual)
        residual[:, :-1] -= across
        residual[:, 1:] += across
        np.multiply(flow, slope[:, 1:], out=upper[:, :-1])
        np.multiply(flow, slope[:, :-1], out=lower[:, :-1])
        np.multiply(h * geometry.both, slope, out=diagonal)
        diagonal += volume
        residual[:, 0] -= front_in * (front_w - u[:, 0])
        diagonal[:, 0] += front_in
        residual[:, -1] -= back_in * (back_w - u[:, -1])
        diagonal[:, -1] += back_in
        if pinned_front:
            residual[front_pinned, 0] = 0.0
            diagonal[front_pinned, 0] = 1.0
            upper[front_pinned, 0] = 0.0
        if pinned_back:
            residual[back_pinned, -1] = 0.0
            diagonal[back_pinned, -1] = 1.0
            lower[back_pinned, -2] = 0.0
        lower_, diagonal_, upper_ = -lower.ravel()[:-1], diagonal.ravel(), -upper.ravel()[:-1]
        _, _, _, change, info = dgtsv(lower_, diagonal_, upper_, residual.ravel())
        if info != 0:
            return None
        change = change.reshape(members, count)
        new = u - change
        chopped = False
        if mixed:
            new, chopped = _chopped(u, new, region, phases)
        biggest = float(np.abs(change).max())
        if not biggest < 1e6:
            return None
        u = new
        if not chopped and biggest < accept:
            still = region == 2 if mixed else _NO_REGIONS
            return u, (lower_, diagonal_, upper_), mixed, still
    return None


def _chopped(u: FloatArray, new: FloatArray, region: np.ndarray, phases: FloatArray) -> tuple[FloatArray, bool]:
    """Newton's iterate, but a node that would leave its region only just crosses the first limit on its way."""
    np.maximum(new, 0.0, out=new)
    ferrite, a3 = phases[:, FERRITE_LIMIT, None], phases[:, A3, None]
    saturation, liquidus = phases[:, SATURATION, None], phases[:, LIQUIDUS, None]
    as_carbon = new.copy()
    as_carbon[:, :: _last(new)] = face_carbon(new[:, :: _last(new)], phases)[0]
    new_region = _regions(as_carbon, ferrite, a3, saturation, liquidus)
    crossing = new_region != region
    crossing[:, [0, -1]] = False
    if not crossing.any():
        return new, False
    limits = np.stack(np.broadcast_arrays(ferrite, a3, saturation, liquidus), axis=0)[:, :, 0]
    member, node = np.nonzero(crossing)
    old, going = region[member, node], new_region[member, node]
    up = going > old
    limit = limits[np.where(up, old, old - 1), member]
    new[member, node] = np.where(up, limit + KINK_WT_PCT, limit - KINK_WT_PCT)
    return new, True


def _filtered(problem: CarbonProblem, defect: FloatArray, matrix: Matrix) -> FloatArray:
    """The defect after one backward step, so that what a stiff cell would damp at once does not count as error."""
    lower, diagonal, upper = matrix
    right = defect * _geometry(problem).volume
    _, _, _, error, _ = dgtsv(lower, diagonal, upper, right.ravel())
    result: FloatArray = error.reshape(defect.shape)
    return result
