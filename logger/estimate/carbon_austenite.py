"""One step of carbon through a section that is austenite all through, and stays so: no iterations, one factorisation.

Most of every heat is like that, and there what moves carbon is smooth, so a linearly implicit method of third order
does it: RODAS3 (A. Sandu, J.G. Verwer, J.G. Blom, E.J. Spee, G.R. Carmichael, F.A. Potra, Atmospheric Environment 31
(1997) 3459), four stages, L-stable and stiffly accurate, so that the massless nodes at the faces end where the pack and
the steel agree. The cells' equations are those of `logger.estimate.carbon_transport`, which takes every other step.

Time runs as work, from 0 to 1 over the step: the diffusivity's change with temperature is in it already. What still
changes along the step is the pack: how long a piece of work takes, and the carbon offered.
"""

from dataclasses import dataclass

import numpy as np

from logger.estimate.carbon_problem import NOTHING, CarbonProblem, Surface
from logger.estimate.carbon_transport import (
    Advanced,
    Geometry,
    Potential,
    Span,
    error_size_wt_pct,
    geometry_of,
)
from logger.estimate.lapack import dgttrf, dgttrs
from logger.estimate.temperature_windows import MOBILITY_ENERGY_K
from logger.steel.phase_limits import A3_IRON_K, SATURATION, phase_table
from logger.units import FloatArray

ERROR_PART = 0.25
"""How much of the difference to the embedded second-order result counts as error: the third-order result is kept, and
measured at a tenth of that difference from the true one."""


def austenite_step(
    problem: CarbonProblem, nodes: FloatArray, span: Span, surfaces: tuple[Surface, Surface], reach_s: float
) -> Advanced | None:
    """One step over a span; None where some of the steel is, or would come to be, not austenite, or below no carbon.

    Parameters
    ----------
    problem : the problem
    nodes : (m, n + 2)          carbon of the cells and at the two faces [wt%, solver's scale]
    span : the stretch of time, its temperatures
    surfaces : what the front and the back face touch over it
    reach_s : relative mobility integrated since the surfaces last changed, this step not included [s]
    """
    lowest_K, highest_K = span.extremes_K
    table = phase_table()
    if lowest_K <= A3_IRON_K + table.step_K:
        return None
    saturation = table.least_saturation_wt_pct(lowest_K, highest_K)
    if float(nodes.max()) > saturation:
        return None
    geometry = geometry_of(problem)
    volume = geometry.volume
    flows = _Flows(problem, span, geometry, _faces(surfaces, span))
    faces = flows.faces
    now, slope = flows.at(nodes, 0)
    later = _change_over_step(nodes, faces)

    diagonal = span.hot_s[:, None] * geometry.both
    diagonal *= slope
    diagonal += geometry.volume_by_gamma
    lower = flows.out_of * slope.ravel()
    upper = flows.out_of[:-1] * slope.ravel()[1:]
    for face in faces:
        diagonal[:, face.number] += face.per_step[0]
        if face.pinned is not None:
            diagonal[face.pinned, face.number] = 1.0
            if face.number == 0:
                upper[:: nodes.shape[1]][face.pinned] = 0.0
            else:
                lower[nodes.shape[1] - 2 :: nodes.shape[1]][face.pinned] = 0.0
    *factors, info = dgttrf(lower[:-1], diagonal.ravel(), upper)
    if info != 0:
        return None

    def solved(right: FloatArray) -> FloatArray:
        result: FloatArray = dgttrs(*factors, right.ravel(), overwrite_b=True)[0]
        return result.reshape(nodes.shape)

    change = 0.5 * later
    change += now
    first = solved(change)
    later *= 1.5
    later += now
    later += geometry.four_volumes * first
    second = solved(later)
    first_less_second = first - second
    whole = 2.0 * first
    whole += nodes
    change = flows.at(whole, 1)[0]
    change += volume * first_less_second
    third = solved(change)
    whole += third
    third *= -8.0 / 3.0
    third += first_less_second
    change = flows.at(whole, 1)[0]
    change += volume * third
    fourth = solved(change)
    whole += fourth
    for face in faces:
        if face.pinned is not None:
            whole[face.pinned, face.number] = face.offered[1][face.pinned]
    if float(whole.min()) < 0.0:
        # Beside iron without carbon a steep front may swing below nothing: the other step does not.
        return None
    if float(whole.max()) > saturation and (whole.max(axis=1) > table.column_at(SATURATION, span.line_K[2])).any():
        return None
    # The last stage's own equation says how fast the end changes, to second order in that stage.
    rate = 2.0 * fourth
    rate -= third
    rate /= span.work_s[:, None]
    rate[:, 0] = rate[:, -1] = 0.0
    fourth[:, 0] = fourth[:, -1] = 0.0
    size = ERROR_PART * error_size_wt_pct(problem, fourth, reach_s + span.mean_work_s)
    return Advanced(whole, rate, size, True)


@dataclass(frozen=True, slots=True, eq=False)
class _Face:
    """A face's pack at the beginning and at the end of a step.

    number : 0 the front node, -1 the back one
    per_step : two of (m,)   mass transfer times the seconds the whole step would take at that moment's pace [m]
    offered : two of (m,)    carbon offered [wt%, solver's scale]
    pinned : (m,)            where the face is held at it; None: nowhere
    """

    number: int
    per_step: tuple[FloatArray, FloatArray]
    offered: tuple[FloatArray, FloatArray]
    pinned: np.ndarray | None


def _faces(surfaces: tuple[Surface, Surface], span: Span) -> list[_Face]:
    """The faces that are not sealed."""
    # Colder steel takes longer over the same work; together as long as it really took.
    begin_K, _, end_K = span.line_K
    slower = np.exp(MOBILITY_ENERGY_K / begin_K - MOBILITY_ENERGY_K / end_K)
    end_s = span.hot_s * (2.0 / (1.0 + slower))
    begin_s = end_s * slower
    faces = []
    for number, surface in ((0, surfaces[0]), (-1, surfaces[1])):
        if surface is NOTHING:
            continue
        # No ferrite, so that no pack offers more than it is asked for: see `offered_wt_pct`.
        offered = tuple(
            np.minimum(surface.potential_at(at_K), most)
            for at_K, most in ((begin_K, span.highest_wt_pct[0]), (end_K, span.highest_wt_pct[2]))
        )
        begin, end = surface.transfer_at(begin_K), surface.transfer_at(end_K)
        pinned = np.isinf(begin)
        if pinned.any():
            begin, end = np.where(pinned, 0.0, begin), np.where(pinned, 0.0, end)
            pinned = np.broadcast_to(pinned, begin_s.shape)
            faces.append(_Face(number, (begin * begin_s, end * end_s), offered, pinned))
        else:
            faces.append(_Face(number, (begin * begin_s, end * end_s), offered, None))
    return faces


class _Flows:
    """What flows into every node over a step, were it all at one moment's pace; all members laid end to end."""

    def __init__(self, problem: CarbonProblem, span: Span, geometry: Geometry, faces: list[_Face]) -> None:
        self.phi = Potential(problem, span.temperature_K)
        self.out_of = (span.hot_s[:, None] * geometry.minus_conductance).ravel()
        self.faces = faces
        across = np.zeros(self.out_of.size + 1)
        self.between, self.before, self.behind = across[1:-1], across[:-1], across[1:]

    def at(self, nodes: FloatArray, moment: int) -> tuple[FloatArray, FloatArray]:
        """Flows (m, n + 2) [wt% m] at the pace of the step's beginning (0) or end (1), and the slope of phi [m2/s].

        For a pinned face: how far its carbon is from what it is held at.
        """
        phi, slope = self.phi.austenite(nodes)
        value = phi.ravel()
        np.multiply(self.out_of[:-1], value[1:] - value[:-1], out=self.between)
        net = (self.before - self.behind).reshape(nodes.shape)
        for face in self.faces:
            short = face.offered[moment] - nodes[:, face.number]
            net[:, face.number] += face.per_step[moment] * short
            if face.pinned is not None:
                net[face.pinned, face.number] = short[face.pinned]
        return net, slope


def _change_over_step(nodes: FloatArray, faces: list[_Face]) -> FloatArray:
    """How fast the flows of the beginning change along the step, whatever the nodes do."""
    change = np.zeros_like(nodes)
    for face in faces:
        (before, after), (offered, later) = face.per_step, face.offered
        change[:, face.number] = (after - before) * (offered - nodes[:, face.number]) + before * (later - offered)
        if face.pinned is not None:
            change[face.pinned, face.number] = (later - offered)[face.pinned]
    return change
