"""Heats of every kind the carbon solver may meet, drawn at random: shapes, faces, packs, stages and noisy traces."""

from dataclasses import dataclass
from math import inf
from random import Random

import numpy as np

from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Layer, Pack, Piece, Shape, Stage, StageKind, SurfaceKind
from logger.units import kelvin_from_celsius

ALLOYS: tuple[dict[str, float], ...] = ({}, {"Mn": 0.75, "Si": 0.2}, {"Ni": 1.5, "Si": 0.3}, {"Mn": 0.5, "Cr": 1.0})


@dataclass(frozen=True)
class CarbonCase:
    """A run sheet and the steel's temperature: run time [s] and temperature [K], both (n,)."""

    sheet: RunSheet
    time_s: np.ndarray
    temperature_K: np.ndarray


def drawn_case(draw: Random, melting: bool) -> CarbonCase:
    """A heat; with `melting` it goes above the eutectic."""
    piece = _piece(draw)
    time_s, temperature_C = _trace(draw, melting)
    pack = _pack(draw, melting)
    sheet = RunSheet(
        piece,
        pack=pack,
        canister=Canister(sensor="inside"),
        stages=_stages(draw, float(time_s[-1])),
    )
    return CarbonCase(sheet, time_s, kelvin_from_celsius(temperature_C))


def _piece(draw: Random) -> Piece:
    carbon = draw.choice([0.02, 0.08, 0.15, 0.30, 0.45])
    kind = draw.choice(["plate", "uneven plate", "round", "layered"])
    if kind == "layered":
        layers = tuple(
            Layer(1e-3 * draw.uniform(0.3, 2.5), draw.choice([0.02, 0.1, 0.4, 0.8, 1.1]), draw.choice(ALLOYS))
            for _ in range(draw.randint(2, 4))
        )
        size_m = sum(layer.thickness_m for layer in layers)
        return Piece(Shape.LAYERED, size_m, 0.1, layers=layers, back=draw.choice([None, SurfaceKind.SEALED]))
    size_m = 1e-3 * draw.uniform(1.5, 14.0)
    if kind == "round":
        return Piece(Shape.ROUND, size_m, carbon, draw.choice(ALLOYS))
    if kind == "plate":
        return Piece(Shape.PLATE, size_m, carbon, draw.choice(ALLOYS))
    back = draw.choice([SurfaceKind.SEALED, SurfaceKind.OPEN_AIR])
    return Piece(Shape.PLATE, size_m, carbon, draw.choice(ALLOYS), back=back)


def _pack(draw: Random, melting: bool) -> Pack:
    transfer = draw.choice([2e-8, 1e-7, 3e-7, 1e-6, inf])
    if draw.random() < 0.4 and not melting:
        return Pack(carbon_potential_wt_pct=draw.uniform(0.7, 1.2), mass_transfer_m_per_s=transfer)
    energy = draw.choice([0.0, 0.0, 60e3]) if transfer < inf else 0.0
    return Pack(
        carbon_activity=draw.uniform(0.6, 1.0), mass_transfer_m_per_s=transfer, mass_transfer_energy_J_per_mol=energy
    )


def _trace(draw: Random, melting: bool) -> tuple[np.ndarray, np.ndarray]:
    """Run time [s] and temperature [C] of a program of ramps and holds, cycled and noisy as ovens are."""
    hours, program_C = [0.0], [draw.choice([20.0, 600.0, 900.0])]
    for _ in range(draw.randint(1, 3)):
        hold_C = draw.uniform(1155.0, 1230.0) if melting and draw.random() < 0.6 else draw.uniform(790.0, 1060.0)
        hours.append(hours[-1] + max(abs(hold_C - program_C[-1]) / draw.uniform(200.0, 2000.0), 0.02))
        program_C.append(hold_C)
        hours.append(hours[-1] + draw.uniform(0.2, 3.0))
        program_C.append(hold_C)
        if draw.random() < 0.3:
            low_C = draw.uniform(400.0, 800.0)
            hours.append(hours[-1] + abs(hold_C - low_C) / draw.uniform(100.0, 1500.0))
            program_C.append(low_C)
    if draw.random() < 0.4:
        hours.append(hours[-1] + (program_C[-1] - 300.0) / draw.uniform(50.0, 600.0))
        program_C.append(300.0)
    interval_s = draw.choice([2.0, 10.0, 30.0, 60.0])
    time_s = np.arange(0.0, 3600.0 * hours[-1], interval_s)
    temperature_C = np.interp(time_s, 3600.0 * np.array(hours), program_C)
    temperature_C += draw.choice([0.0, 4.0]) * np.sin(2.0 * np.pi * time_s / draw.choice([180.0, 900.0]))
    scatter = draw.choice([0.0, 0.5, 1.5])
    if scatter:
        temperature_C += np.random.default_rng(draw.randint(0, 2**31)).normal(0.0, scatter, time_s.size)
    return time_s, temperature_C


def _stages(draw: Random, duration_s: float) -> tuple[Stage, ...]:
    kind = draw.choice(["none", "none", "diffuse", "air", "another pack"])
    if kind == "none":
        return ()
    from_s = duration_s * draw.uniform(0.2, 0.7)
    to_s = draw.choice([inf, from_s + 0.2 * duration_s])
    if kind == "diffuse":
        return (Stage(StageKind.DIFFUSE, from_s, to_s),)
    if kind == "air":
        return (Stage(StageKind.CARBURIZE, from_s, to_s, surface=SurfaceKind.OPEN_AIR),)
    other = Pack(carbon_potential_wt_pct=0.8, mass_transfer_m_per_s=draw.choice([1e-7, inf]))
    return (Stage(StageKind.CARBURIZE, from_s, to_s, pack=other),)
