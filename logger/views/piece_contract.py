"""A piece as one JSON object, for programs: keys carry their units, bands are [5 %, 50 %, 95 %]."""

from collections.abc import Sequence
from math import isfinite
from typing import Any

from logger.estimate.bands import Band
from logger.piece_now import Evening, NextStep, PieceNow
from logger.piece_plain import kind_of, plain_step
from logger.piece_steps import Entry
from logger.units import FloatArray, celsius_from_kelvin, hours_from_seconds, millimetres_from_metres


def piece_object(lines: Sequence[tuple[Entry, PieceNow | None]], now: PieceNow) -> dict[str, Any]:
    """A piece with its ledger; ``lines`` have None where they do not count."""
    return {
        **now_object(now),
        "steps": [
            {
                "step": entry.number,
                "entered_utc_s": entry.utc_s,
                "kind": kind_of(entry.step),
                "detail": plain_step(entry.step),
                "note": entry.note,
                "counts": then is not None,
                **({} if then is None else {"mean_wt_pct": _band(then.mean_wt_pct)}),
            }
            for entry, then in lines
        ],
    }


def now_object(now: PieceNow) -> dict[str, Any]:
    """What a piece is now."""
    state, section = now.state, now.state.section
    hardness = now.hardness
    return {
        "piece": state.name,
        "after_step": state.step,
        "shape": str(section.shape),
        "size_mm": millimetres_from_metres(section.size_m),
        "width_mm": None if state.width_m is None else millimetres_from_metres(state.width_m),
        "length_mm": None if state.length_m is None else millimetres_from_metres(state.length_m),
        "count": state.count,
        "condition": str(state.condition),
        "grain_coarse": state.coarse,
        "carbon": {
            "mean_wt_pct": float(section.mean_wt_pct[0]),
            "mean_g_per_m2": float(1e3 * section.carbon_kg_per_m2[0]),
            "unevenness_wt_pct": float(section.carbon_wt_pct[0].max() - section.carbon_wt_pct[0].min()),
            "profile": {
                "depth_mm": millimetres_from_metres(now.depth_m).tolist(),
                "carbon_wt_pct": section.carbon_wt_pct[0].tolist(),
            },
        },
        "band": {
            "mean_wt_pct": _band(now.mean_wt_pct),
            "core_wt_pct": _band(now.core_wt_pct),
            "front_wt_pct": _band(now.front_wt_pct),
            "back_wt_pct": _band(now.back_wt_pct),
            "unevenness_wt_pct": _band(now.unevenness_wt_pct),
            "gain_in_last_heat_g_per_m2": _band(now.gain_kg_per_m2, 1e3),
            "above_1_0_wt_pct_mm": [_band(depth, 1e3) for depth in now.rich_m],
            "decarburized_mm": [_band(depth, 1e3) for depth in now.poor_m],
            "profile": {"carbon_wt_pct": [row.tolist() for row in now.carbon_wt_pct]},
        },
        "layers": [
            {
                "name": layer.name,
                "from_mm": millimetres_from_metres(layer.from_m),
                "to_mm": millimetres_from_metres(layer.to_m),
                "mean_wt_pct": _band(layer.mean_wt_pct),
                "taken_up_wt_pct": _band(layer.received_wt_pct),
                "given_share": _band(layer.given_share),
            }
            for layer in now.layers
        ],
        "edge": None
        if now.edge is None
        else {
            "from_mm": millimetres_from_metres(now.edge.from_m),
            "to_mm": millimetres_from_metres(now.edge.to_m),
            "thickness_mm": _band(now.edge.thickness_m, 1e3),
            "share": now.edge.share,
        },
        "hardness": None
        if hardness is None
        else {
            "from_C": celsius_from_kelvin(hardness.from_K),
            "supposed": hardness.supposed,
            "tempered": hardness.tempered,
            "depth_mm": millimetres_from_metres(hardness.depth_m).tolist(),
            "HRC": [_numbers(row) for row in hardness.HRC],
            "notes": [str(note) for note in hardness.notes],
        },
        "warnings": [warning.words for warning in state.warnings],
        "next": [_next_object(step) for step in now.next_steps],
    }


def evening_object(name: str, found: Evening) -> dict[str, Any]:
    """How a piece would even out."""
    return {
        "piece": name,
        "temperature_C": celsius_from_kelvin(found.temperature_K),
        "within_wt_pct": found.within_wt_pct,
        "heat_min": found.heat_s / 60.0,
        "unevenness_wt_pct": _band(found.now_wt_pct),
        "time_h": [_number(hours_from_seconds(value)) for value in found.time_s],
        "heats": [_number(value) for value in found.heats],
        "folds": None if found.folds is None else list(found.folds),
    }


def _next_object(step: NextStep) -> dict[str, Any]:
    window = step.window
    return {
        "what": str(step.what),
        "front_mm": millimetres_from_metres(step.front_m),
        "back_mm": millimetres_from_metres(step.back_m),
        "from_C": None if window is None else celsius_from_kelvin(window.low_K),
        "to_C": None if window is None else celsius_from_kelvin(window.high_K),
    }


def _band(values: Band, scale: float = 1.0) -> list[float | None]:
    return [_number(scale * value) for value in values]


def _number(value: float) -> float | None:
    return value if isfinite(value) else None


def _numbers(values: FloatArray) -> list[float | None]:
    return [_number(value) for value in values.tolist()]
