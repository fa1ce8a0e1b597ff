"""Hardening and tempering of a review for programs: the ``hardening`` object and its bands."""

from math import isfinite
from typing import Any

import numpy as np

from logger.estimate.bands import SectionBands
from logger.estimate.hardening import SectionHardness
from logger.estimate.heat_treatment import BathAnswer, HeatTreatment, SteelPoints, TemperAhead
from logger.estimate.heats import HeatsJudgement
from logger.sheet import RunSheet
from logger.units import FloatArray, celsius_from_kelvin, hours_from_seconds, millimetres_from_metres


def hardening_object(treatment: HeatTreatment | None, sheet: RunSheet) -> dict[str, Any] | None:
    """The ``hardening`` object, or null where the run neither hardens nor tempers; words in Celsius, millimetres."""
    if treatment is None:
        return None
    section, tempered = treatment.section, treatment.tempered
    return {
        "quench_C": _celsius(treatment.quench_K),
        "quench_known": str(treatment.known),
        "quenched": treatment.quenched,
        "bath": None if treatment.bath is None else str(treatment.bath),
        "steels": [_steel(steel) for steel in treatment.steels],
        "surface_HRC": None if section is None else _number(float(section.hardness_HRC[0])),
        "hardest_HRC": None if section is None else _most(section.hardness_HRC),
        "tempered_surface_HRC": None if tempered is None else _number(float(tempered.hardness_HRC[0])),
        "retained_austenite": None if section is None else float(section.retained_austenite.max()),
        "depth_550_HV_mm": None if section is None else millimetres_from_metres(section.depth_550_hv_m),
        "depth_50_HRC_mm": None if section is None else millimetres_from_metres(section.depth_50_hrc_m),
        "section": None if section is None else _section(section, treatment),
        "baths": [_bath(answer) for answer in treatment.baths],
        "bath_carbon_wt_pct": _number(treatment.bath_carbon_wt_pct),
        "heats": None if treatment.heats is None else _heats(treatment.heats),
        "temper_ahead": [_ahead(one, sheet) for one in treatment.temper_ahead],
        "advice": [] if section is None else list(section.advice),
        "refusals": [str(refusal) for refusal in treatment.refusals],
    }


def hardening_bands(section: SectionBands | None) -> dict[str, Any] | None:
    """The bands of the ``hardening`` object, or null."""
    if section is None:
        return None
    tempered = section.tempered_HRC
    return {
        "surface_HRC": _three(section.quenched_HRC[:, 0]),
        "tempered_surface_HRC": None if tempered is None else _three(tempered[:, 0]),
        "retained_austenite": _three(np.array(section.retained_austenite)),
        "depth_550_HV_mm": _three(millimetres_from_metres(np.array(section.depth_550_hv_m))),
        "depth_50_HRC_mm": _three(millimetres_from_metres(np.array(section.depth_50_hrc_m))),
        "section": {
            "depth_mm": np.round(millimetres_from_metres(section.depth_m), 7).tolist(),
            "as_quenched_HRC": [_three(column) for column in section.quenched_HRC.T],
            "tempered_HRC": None if tempered is None else [_three(column) for column in tempered.T],
        },
    }


def _number(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _celsius(temperature_K: float) -> float | None:
    return _number(celsius_from_kelvin(temperature_K))


def _numbers(values: FloatArray) -> list[float | None]:
    return [_number(value) for value in values.tolist()]


def _three(values: FloatArray) -> list[float] | None:
    return [float(value) for value in values] if np.all(np.isfinite(values)) else None


def _most(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max()) if known.size else None


def _steel(steel: SteelPoints) -> dict[str, Any]:
    points, start = steel.points, steel.martensite
    return {
        "place": steel.place,
        "carbon_wt_pct": steel.carbon_wt_pct,
        "A1_C": _celsius(points.ac1_K),
        "complete_C": _celsius(points.complete_K),
        "complete_is": "A_cm" if points.hypereutectoid else "A3",
        "spread_C": points.spread_K,
        "harden_C": [_celsius(steel.harden.low_K), _celsius(steel.harden.high_K)],
        "normalize_C": [_celsius(steel.normalize.low_K), _celsius(steel.normalize.high_K)],
        "martensite_start_C": None if start is None else _celsius(start.best_K),
        "martensite_start_by_formula_C": (
            None if start is None else {each.name: _celsius(each.start_K) for each in start.each}
        ),
        "martensite_formulas_beyond": [] if start is None else [each.name for each in start.each if not each.inside],
        "clipped": steel.clipped,
        "notes": list(points.notes),
    }


def _section(section: SectionHardness, treatment: HeatTreatment) -> dict[str, Any]:
    tempered = treatment.tempered
    return {
        "depth_mm": np.round(millimetres_from_metres(section.depth_m), 7).tolist(),
        "as_quenched_HRC": _numbers(section.hardness_HRC),
        "as_quenched_HV": _numbers(section.hardness_HV),
        "tempered_HRC": None if tempered is None else _numbers(tempered.hardness_HRC),
        "carbon_in_solution_wt_pct": _numbers(section.carbon_in_solution_wt_pct),
        "retained_austenite": _numbers(section.retained_austenite),
        "undissolved_cementite": _numbers(section.cementite_share),
        "austenite_before_quench": _numbers(section.austenite_share),
        "martensite_start_C": _numbers(celsius_from_kelvin(section.martensite_start_K)),
    }


def _bath(answer: BathAnswer) -> dict[str, Any]:
    hardening = answer.hardening
    return {
        "bath": str(answer.bath),
        "through": None if hardening is None else hardening.through,
        "ideal_diameter_mm": None if hardening is None else millimetres_from_metres(hardening.ideal_diameter_m),
        "needed_mm": None if hardening is None else [millimetres_from_metres(each) for each in hardening.needed_m],
        "text": str(answer.refusal or "") if hardening is None else hardening.advice,
    }


def _heats(judged: HeatsJudgement) -> dict[str, Any]:
    return {
        "sound": judged.sound,
        "quench_sound": judged.quench_sound,
        "each": [
            {
                "start_s": heat.start_s,
                "end_s": heat.end_s,
                "peak_C": _celsius(heat.peak_K),
                "left_C": _celsius(heat.left_K),
                "above_A1_s": heat.above_ac1_s,
                "above_complete_s": heat.above_complete_s,
                "cooling": str(heat.cooling),
                "cooling_C_per_s": heat.cooling_K_per_s,
                "dissolves": heat.dissolves,
                "refines": heat.refines,
                "text": heat.words,
            }
            for heat in judged.heats
        ],
        "advice": list(judged.advice),
    }


def _ahead(ahead: TemperAhead, sheet: RunSheet) -> dict[str, Any]:
    target = sheet.targets[ahead.target]
    return {
        "quantity": str(target.quantity),
        "wanted": target.value,
        "hold_C": _celsius(ahead.hold_K),
        "left_h": None if ahead.left_s is None else [_number(hours_from_seconds(each)) for each in ahead.left_s],
        "temperatures": [
            {"hold_h": hours_from_seconds(hold_s), "temperature_C": [_celsius(each) for each in temperatures]}
            for hold_s, temperatures in ahead.temperatures
        ],
    }
