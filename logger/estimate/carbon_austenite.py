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

from logger.estimate.carbon_problem import NOTHING, CarbonProblem, Surface, kept_wt_pct, offered_wt_pct
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
    problem: CarbonProblem,
    nodes: FloatArray,
    span: Span,
    surfaces: tuple[Surface, Surface],
    reach_s: float,
    hottest_K: FloatArray,
) -> Advanced | None:
    """One step over a span; None where some of the steel is, or would come to be, not austenite, or below no carbon.

    Nor does it take the step in which a pack stops, or begins, to give or to take carbon.

    Parameters
    ----------
    problem : the problem
    nodes : (m, n + 2)          carbon of the cells and at the two faces [wt%, solver's scale]
    span : the stretch of time, its temperatures
    surfaces : what the front and the back face touch over it
    reach_s : relative mobility integrated since the surfaces last changed, this step not included [s]
    hottest_K : (m,)            hottest since the surfaces last changed [K]
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
    faces = _faces(surfaces, span, nodes, hottest_K)
    if faces is None:
        return None
    flows = _Flows(problem, span, geometry, faces)
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
    if not all(face.stays(whole) for face in faces):
        return None
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
    offered : two of (m,)    carbon offered, or taken back down to [wt%, solver's scale]
    pinned : (m,)            where the face is held at it; None: nowhere
    between : two of (m,)    carbon of the steel below the face for which all this holds, least and most [wt%]
    """

    number: int
    per_step: tuple[FloatArray, FloatArray]
    offered: tuple[FloatArray, FloatArray]
    pinned: np.ndarray | None
    between: tuple[FloatArray, FloatArray] | None

    def stays(self, nodes: FloatArray) -> bool:
        """Whether all this still holds for the nodes after the step."""
        if self.between is None:
            return True
        below = nodes[:, 1 if self.number == 0 else -2]
        return bool(((below >= self.between[0]) & (below <= self.between[1])).all())


def _faces(
    surfaces: tuple[Surface, Surface], span: Span, nodes: FloatArray, hottest_K: FloatArray
) -> list[_Face] | None:
    """The faces that are not sealed; None where a pack begins or ends to give or to take over the step."""
    # Colder steel takes longer over the same work; together as long as it really took.
    begin_K, _, end_K = span.line_K
    slower = np.exp(MOBILITY_ENERGY_K / begin_K - MOBILITY_ENERGY_K / end_K)
    end_s = span.hot_s * (2.0 / (1.0 + slower))
    faces = []
    for number, surface in ((0, surfaces[0]), (-1, surfaces[1])):
        if surface is NOTHING:
            continue
        below = nodes[:, 1 if number == 0 else -2]
        face = _face(number, surface, span, (end_s * slower, end_s), below, hottest_K)
        if face is None:
            return None
        faces.append(face)
    return faces


def _face(
    number: int,
    surface: Surface,
    span: Span,
    paces_s: tuple[FloatArray, FloatArray],
    below: FloatArray,
    hottest_K: FloatArray,
) -> _Face | None:
    """One face over the step, with the carbon of the steel ``below`` it [wt%], (m,); None: see `_faces`.

    ``paces_s``: how long the whole step would take at the pace of its beginning and of its end, (m,) each [s].
    """
    begin_K, _, end_K = span.line_K
    most_before, _, most_after = span.highest_wt_pct
    offered = (
        offered_wt_pct(surface, begin_K, most_before, _NO_FERRITE),
        offered_wt_pct(surface, end_K, most_after, _NO_FERRITE),
    )
    kept_before = kept_wt_pct(surface, hottest_K, most_before, offered[0])
    kept_after = kept_wt_pct(surface, hottest_K, most_after, offered[1])
    begin, end = surface.transfer_at(begin_K), surface.transfer_at(end_K)
    pinned: np.ndarray | None = None
    if np.isinf(begin).any():
        pinned = np.broadcast_to(np.isinf(begin), paces_s[0].shape)
        begin, end = np.where(pinned, 0.0, begin), np.where(pinned, 0.0, end)
    per_step = begin * paces_s[0], end * paces_s[1]
    if kept_before is None and kept_after is None:
        return _Face(number, per_step, offered, pinned, None)
    kept = (
        offered[0] if kept_before is None else kept_before,
        offered[1] if kept_after is None else kept_after,
    )
    least_offered, most_offered = np.minimum(*offered), np.maximum(*offered)
    least_kept, most_kept = np.minimum(*kept), np.maximum(*kept)
    takes_up, gives_off = below <= least_offered, below > most_kept
    rests = (below > most_offered) & (below <= least_kept)
    if not (takes_up | gives_off | rests).all():
        return None
    least = np.where(takes_up, -np.inf, np.where(rests, most_offered, most_kept))
    most = np.where(takes_up, least_offered, np.where(rests, least_kept, np.inf))
    return _Face(
        number,
        (np.where(rests, 0.0, per_step[0]), np.where(rests, 0.0, per_step[1])),
        (np.where(gives_off, kept[0], offered[0]), np.where(gives_off, kept[1], offered[1])),
        None if pinned is None else pinned & ~rests,
        (least, most),
    )


_NO_FERRITE = np.zeros(1)
"""Steel that is austenite all through has none: no pack offers it more than it is asked for."""


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
