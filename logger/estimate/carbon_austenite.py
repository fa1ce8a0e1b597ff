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

from logger.estimate.carbon_problem import CarbonProblem, Surface
from logger.estimate.carbon_transport import (
    Advanced,
    Potential,
    Span,
    contact,
    error_size_wt_pct,
    geometry_of,
)
from logger.estimate.lapack import dgttrf, dgttrs
from logger.estimate.temperature_windows import mobility
from logger.steel.phase_limits import A3, SATURATION
from logger.units import FloatArray

ERROR_PART = 0.25
"""How much of the difference to the embedded second-order result counts as error: the third-order result is kept, and
measured at a tenth of that difference from the true one."""


def austenite_step(
    problem: CarbonProblem, nodes: FloatArray, span: Span, surfaces: tuple[Surface, Surface], reach_s: float
) -> Advanced | None:
    """One step over a span; None where some of the steel is, or would come to be, anything else than austenite.

    Parameters
    ----------
    problem : the problem
    nodes : (m, n + 2)          carbon of the cells and at the two faces [wt%, solver's scale]
    span : the stretch of time, its temperatures
    surfaces : what the front and the back face touch over it
    reach_s : relative mobility integrated since the surfaces last changed, this step not included [s]
    """
    begin, end = span.begin_phases, span.stage_phases[1]
    highest = float(end[:, SATURATION].min())
    if float(nodes.max()) > min(highest, float(begin[:, SATURATION].min())):
        return None
    if float(begin[:, A3].max()) > 0.0 or float(end[:, A3].max()) > 0.0:
        return None
    geometry = geometry_of(problem)
    hot_s = span.hot_s[:, None]
    flow, volume = hot_s * geometry.conductance, geometry.volume
    phi = Potential(problem, span.temperature_K)
    faces = _faces(surfaces, span)
    now, slope = _flows(phi, flow, nodes, faces, 0)
    later = _change_over_step(nodes, faces)

    diagonal = (hot_s * geometry.both) * slope
    diagonal += (1.0 / _GAMMA) * volume
    lower, upper = np.zeros_like(nodes), np.zeros_like(nodes)
    np.multiply(flow, slope[:, :-1], out=lower[:, :-1])
    np.multiply(flow, slope[:, 1:], out=upper[:, :-1])
    for face in faces:
        diagonal[:, face.number] += face.per_step[0]
        if face.pinned is not None:
            diagonal[face.pinned, face.number] = 1.0
            if face.number == 0:
                upper[face.pinned, 0] = 0.0
            else:
                lower[face.pinned, -2] = 0.0
    *factors, info = dgttrf(-lower.ravel()[:-1], diagonal.ravel(), -upper.ravel()[:-1])
    if info != 0:
        return None

    def solved(right: FloatArray) -> FloatArray:
        result: FloatArray = dgttrs(*factors, right.ravel())[0]
        return result.reshape(nodes.shape)

    first = solved(now + _GAMMA_1 * later)
    second = solved(now + (_GAMMA_2 * later + (4.0 * volume) * first))
    both = first - second
    third = solved(_flows(phi, flow, nodes + 2.0 * first, faces, 1)[0] + volume * both)
    whole = nodes + 2.0 * first + third
    tail = both - (8.0 / 3.0) * third
    fourth = solved(_flows(phi, flow, whole, faces, 1)[0] + volume * tail)
    whole += fourth
    for face in faces:
        if face.pinned is not None:
            whole[face.pinned, face.number] = face.offered[1][face.pinned]
    if not float(whole.max()) <= highest:
        return None
    work = (span.hot_s * span.mobility)[:, None]
    # The last stage's own equation says how fast the end changes, to second order in that stage.
    rate = ((1.0 / _GAMMA) * fourth - tail) / work
    rate[:, 0] = rate[:, -1] = 0.0
    fourth[:, 0] = fourth[:, -1] = 0.0
    return Advanced(whole, rate, ERROR_PART * error_size_wt_pct(problem, fourth, reach_s + float(work.mean())), True)


_GAMMA, _GAMMA_1, _GAMMA_2 = 0.5, 0.5, 1.5
"""RODAS3's diagonal, and the weights of the change in time in its first two stages; the last two have none."""


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
    faces = []
    for number, surface in ((0, surfaces[0]), (-1, surfaces[1])):
        begin = contact(surface, span.begin_K, span.begin_phases)
        end = contact(surface, span.stage_K[1], span.stage_phases[1])
        if begin is None or end is None:
            continue
        # Colder steel takes longer over the same work; together as long as it really took.
        slow, quick = 1.0 / mobility(span.begin_K), 1.0 / mobility(span.stage_K[1])
        hot_s = span.hot_s * (2.0 / (slow + quick))
        per_step = (begin.transfer * slow * hot_s, end.transfer * quick * hot_s)
        faces.append(_Face(number, per_step, (begin.w, end.w), begin.pinned))
    return faces


def _flows(
    phi: Potential, flow: FloatArray, nodes: FloatArray, faces: list[_Face], moment: int
) -> tuple[FloatArray, FloatArray]:
    """What flows into every node over the whole step at the pace of its beginning (0) or end (1), and the slope of phi.

    For a pinned face: how far its carbon is from what it is held at.
    """
    value, slope = phi.austenite(nodes)
    across = value[:, 1:] - value[:, :-1]
    across *= flow
    net = np.empty_like(nodes)
    np.subtract(across[:, 1:], across[:, :-1], out=net[:, 1:-1])
    net[:, 0] = across[:, 0]
    net[:, -1] = -across[:, -1]
    for face in faces:
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
