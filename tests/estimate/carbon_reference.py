"""An independent carbon solver to judge the real one by: method of lines on a fine grid, integrated by scipy.

It shares no code with the product: its own grid, its own diffusivity and activity formulas typed from the sources,
flux by the diffusivity at the mean carbon of two cells, time by an adaptive stiff integrator that follows every
sample. `solved` and `solved_layers` are for austenite alone, `solved_phases` for steel that shares its place with
ferrite or cementite, at phase limits the caller gives.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq


def agren_m2_per_s(temperature_K: float, carbon_wt_pct: np.ndarray) -> np.ndarray:
    """J. Agren, Scripta Metallurgica 20 (1986) 1507."""
    y = (carbon_wt_pct / 12.011) / ((100.0 - carbon_wt_pct) / 55.847)
    lead = 4.53e-7 * (1.0 + y * (1.0 - y) * 8339.9 / temperature_K)
    return lead * np.exp(-(1.0 / temperature_K - 2.221e-4) * (17767.0 - 26436.0 * y))


def carbon_at_activity_wt_pct(temperature_K: float, activity: float = 1.0) -> float:
    """Carbon of austenite of an activity (graphite 1): ln[y/(1-y)] + (5115.9 + 8339.9 y)/T - 1.9096 = ln activity."""

    def off(y: float) -> float:
        return float(np.log(y / (1.0 - y)) + (5115.9 + 8339.9 * y) / temperature_K - 1.9096 - np.log(activity))

    y = brentq(off, 1e-6, 0.3)
    return 100.0 * 12.011 * y / (12.011 * y + 55.847)


def solved(
    time_s: np.ndarray,
    temperature_K: np.ndarray,
    half_m: float,
    start_wt_pct: float,
    potential_wt_pct: float | Callable[[float], float],
    transfer_m_per_s: float,
    cells: int = 400,
    first_m: float = 1.5e-6,
    is_round: bool = False,
    law: Callable[[float, np.ndarray], np.ndarray] = agren_m2_per_s,
    tolerance: float = 1e-7,
    longest_step_s: float = np.inf,
    method: str = "LSODA",
) -> tuple[np.ndarray, np.ndarray, float]:
    """Depths of the cells [m] and their carbon [wt%] at the last sample, and the carbon at the face [wt%].

    The section is a half plate, or a round from its surface to its axis. A pinned surface has an infinite transfer.
    A potential that depends on temperature is a pack's, which takes nothing back below what it offered at the hottest
    so far; a number is a gas's, which does.
    """
    hottest_K = np.maximum.accumulate(temperature_K)
    low, high = 0.0, 0.2
    growth = (
        brentq(lambda g: first_m * (np.expm1(cells * np.log1p(g)) / g) - half_m, 1e-9, high)
        if (first_m * cells < half_m)
        else low
    )
    sizes = first_m * (1.0 + growth) ** np.arange(cells)
    sizes *= half_m / sizes.sum()
    edges = np.concatenate([[0.0], np.cumsum(sizes)])
    middle = 0.5 * (edges[1:] + edges[:-1])
    if is_round:
        area = 1.0 - edges / half_m
        volume = half_m * (area[:-1] ** 2 - area[1:] ** 2) / 2.0
    else:
        area, volume = np.ones(cells + 1), sizes
    between = np.diff(middle)

    def asked(T: float) -> float:
        return potential_wt_pct(T) if callable(potential_wt_pct) else potential_wt_pct

    def face(t: float, T: float, first_cell: float) -> float:
        p, kept = asked(T), asked(float(np.interp(t, time_s, hottest_K)))
        if p < first_cell <= kept:
            return first_cell
        if first_cell > kept:
            p = max(p, kept)
        if np.isinf(transfer_m_per_s):
            return p
        w = first_cell
        for _ in range(30):  # fixed point on the diffusivity of the half-cell
            D = float(law(T, np.array([0.5 * (w + first_cell)]))[0])
            g = D / (0.5 * sizes[0])
            w_new = (transfer_m_per_s * p + g * first_cell) / (transfer_m_per_s + g)
            if abs(w_new - w) < 1e-13:
                break
            w = w_new
        return w

    def rate(t: float, C: np.ndarray) -> np.ndarray:
        T = float(np.interp(t, time_s, temperature_K))
        D = law(T, 0.5 * (C[1:] + C[:-1]))
        w = face(t, T, float(C[0]))
        flow = np.empty(cells + 1)
        flow[0] = float(law(T, np.array([0.5 * (w + C[0])]))[0]) * (w - C[0]) / (0.5 * sizes[0])
        flow[1:-1] = area[1:-1] * D * (C[:-1] - C[1:]) / between
        flow[-1] = 0.0
        return (flow[:-1] - flow[1:]) / volume

    options = {"lband": 1, "uband": 1} if method == "LSODA" else {"jac_sparsity": _band(cells)}
    solution = solve_ivp(
        rate,
        (time_s[0], time_s[-1]),
        np.full(cells, float(start_wt_pct)),
        method=method,
        rtol=tolerance,
        atol=tolerance,
        t_eval=[time_s[-1]],
        max_step=longest_step_s,
        **options,
    )
    assert solution.success, solution.message
    carbon = solution.y[:, -1]
    return middle, carbon, face(float(time_s[-1]), float(temperature_K[-1]), float(carbon[0]))


def _band(cells: int) -> np.ndarray:
    from scipy.sparse import diags_array

    return diags_array([np.ones(cells - 1), np.ones(cells), np.ones(cells - 1)], offsets=[-1, 0, 1]).tocsc()


@dataclass(frozen=True)
class LayersSolved:
    """A layered plate at its last sample: cell depths [m], their own carbon [wt%], the two faces and the mean [wt%]."""

    depth_m: np.ndarray
    carbon_wt_pct: np.ndarray
    front_wt_pct: float
    back_wt_pct: float
    mean_wt_pct: float


def solved_layers(
    time_s: np.ndarray,
    temperature_K: np.ndarray,
    thickness_m: list[float],
    start_wt_pct: list[float],
    scale_per_carbon: list[float],
    front: tuple[float, float],
    back: tuple[float, float],
    cells_per_layer: int = 60,
    tolerance: float = 1e-7,
) -> LayersSolved:
    """A plate of layers, front to back; w = carbon times ``scale_per_carbon`` is continuous from one to the next.

    ``front``, ``back``: the w the pack tends to and its transfer [m/s], 0 sealed, inf pinned. Cells are fine at both
    sides of each layer: their edges follow a cosine.
    """
    part = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, cells_per_layer + 1)))
    starts = np.concatenate([[0.0], np.cumsum(thickness_m)])
    edges = np.concatenate([[0.0], *(starts[i] + thickness_m[i] * part[1:] for i in range(len(thickness_m)))])
    scale = np.repeat(scale_per_carbon, cells_per_layer)
    begin = np.repeat(start_wt_pct, cells_per_layer) * scale
    size, middle = np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
    resistance = 0.5 * size * scale  # of half a cell, at a diffusivity of 1
    between = resistance[1:] + resistance[:-1]
    volume = size / scale

    def face(T: float, inside: float, half: float, pack: tuple[float, float]) -> tuple[float, float]:
        """w at a face and the flow into the plate there."""
        offered, transfer = pack
        if transfer == 0.0:
            return inside, 0.0
        w = offered if np.isinf(transfer) else inside
        for _ in range(50):
            inward = float(agren_m2_per_s(T, np.array([0.5 * (w + inside)]))[0]) / half
            if np.isinf(transfer):
                break
            w_new = (transfer * offered + inward * inside) / (transfer + inward)
            if abs(w_new - w) < 1e-13:
                break
            w = w_new
        return w, inward * (w - inside)

    def rate(t: float, w: np.ndarray) -> np.ndarray:
        T = float(np.interp(t, time_s, temperature_K))
        flow = np.empty(w.size + 1)
        flow[1:-1] = agren_m2_per_s(T, 0.5 * (w[1:] + w[:-1])) * (w[:-1] - w[1:]) / between
        flow[0] = face(T, float(w[0]), float(resistance[0]), front)[1]
        flow[-1] = -face(T, float(w[-1]), float(resistance[-1]), back)[1]
        return (flow[:-1] - flow[1:]) / volume

    solution = solve_ivp(
        rate,
        (time_s[0], time_s[-1]),
        begin,
        method="LSODA",
        rtol=tolerance,
        atol=tolerance,
        t_eval=[time_s[-1]],
        lband=1,
        uband=1,
    )
    assert solution.success, solution.message
    w, T = solution.y[:, -1], float(temperature_K[-1])
    return LayersSolved(
        depth_m=middle,
        carbon_wt_pct=w / scale,
        front_wt_pct=face(T, float(w[0]), float(resistance[0]), front)[0] / scale[0],
        back_wt_pct=face(T, float(w[-1]), float(resistance[-1]), back)[0] / scale[-1],
        mean_wt_pct=float(np.dot(w, volume) / starts[-1]),
    )


@dataclass(frozen=True)
class Limits:
    """Phase limits at one temperature [wt%] and the diffusivity of ferrite [m2/s]."""

    ferrite: float
    low: float
    high: float
    ferrite_m2_per_s: float


def solved_phases(
    time_s: np.ndarray,
    temperature_K: np.ndarray,
    edge_m: np.ndarray,
    start_wt_pct: np.ndarray,
    face_wt_pct: float | None,
    limits: Callable[[float], Limits],
    tolerance: float = 1e-6,
) -> np.ndarray:
    """Total carbon [wt%] of a half plate's cells at the last sample, its front face pinned [wt%] or sealed (None).

    Total carbon is what is kept account of; what flows is driven by the carbon of the austenite beside ferrite (at
    its low limit) or cementite (at its high limit), and in ferrite by ferrite's own, so a cell of two phases passes
    nothing to a neighbour of the same two.
    """
    size = np.diff(edge_m)
    middle = 0.5 * (edge_m[1:] + edge_m[:-1])
    between = np.diff(middle)
    at_s, at_K = time_s.tolist(), temperature_K.tolist()

    def rate(t: float, u: np.ndarray) -> np.ndarray:
        T = float(np.interp(t, at_s, at_K))
        limit = limits(T)
        w = np.clip(u, limit.low, limit.high)
        alpha = np.minimum(u, limit.ferrite)
        flow = np.zeros(u.size + 1)
        D = agren_m2_per_s(T, 0.5 * (w[1:] + w[:-1]))
        flow[1:-1] = (D * (w[:-1] - w[1:]) + limit.ferrite_m2_per_s * (alpha[:-1] - alpha[1:])) / between
        if face_wt_pct is not None:
            face = min(max(face_wt_pct, limit.low), limit.high)
            D_face = float(agren_m2_per_s(T, np.array([0.5 * (face + w[0])]))[0])
            alpha_face = limit.ferrite  # a face of austenite: ferrite just below it is as rich as it can be
            into = D_face * (face - w[0]) + limit.ferrite_m2_per_s * (alpha_face - alpha[0])
            flow[0] = into / (0.5 * size[0])
        return np.asarray((flow[:-1] - flow[1:]) / size)

    solution = solve_ivp(
        rate,
        (at_s[0], at_s[-1]),
        start_wt_pct,
        method="LSODA",
        rtol=tolerance,
        atol=tolerance,
        t_eval=[at_s[-1]],
        lband=1,
        uband=1,
        max_step=60.0,
    )
    assert solution.success, solution.message
    return np.asarray(solution.y[:, -1])
