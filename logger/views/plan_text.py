"""A plan in words, and as one JSON object."""

from collections.abc import Sequence
from math import isfinite
from typing import Any

from logger.plan import Plan, Planned
from logger.plan_sheet import program_rows
from logger.units import DisplayUnits, celsius_from_kelvin, hours_from_seconds, millimetres_from_metres
from logger.views.band_contract import carbon_band_object
from logger.views.cautions import Moment, caution
from logger.views.contract import carbon_object, correction_object
from logger.views.run_views import correction_words
from logger.views.text import paragraphs, table
from logger.views.wording import (
    duration_words,
    length_words,
    temperature_words,
)

JOULES_PER_KWH = 3.6e6


def plan_text(plan: Plan, title: str) -> str:
    """The answer: programs side by side, the first one step by step; or why it cannot be done and what would help."""
    units = plan.sheet.display
    blocks = [f"{title}: wanted {', '.join(wish_words(plan))}."]
    if not plan.programs:
        blocks.append("It cannot be done so.")
        blocks.append("\n".join(paragraphs(_sentence(remark.said(units)) for remark in plan.closest)))
        if plan.possible:
            said = [_sentence(remark.said(units)) for remark in plan.possible]
            blocks.append("\n".join(["What would make it possible", *paragraphs(said)]))
        return "\n\n".join(block for block in blocks if block)
    head = ("program", *(str(number) for number in range(1, len(plan.programs) + 1)))
    columns = [_column(planned, plan) for planned in plan.programs]
    labels = [label.format(level=plan.level_wt_pct) for label in _LABELS]
    rows = [(name, *cells) for name, *cells in zip(labels, *columns, strict=True) if any(cells)]
    blocks.append(table(head, rows))
    first = plan.programs[0]
    steps = table(
        ("step", "what", f"to ({units.temperature})", f"{units.temperature}/h", "lasts (h)", "from (h)", "to (h)"),
        [(row[0], row[1], row[2], *row[4:]) for row in program_rows(first, units)],
    )
    blocks.append(f"Program 1 ({first.why}), step by step\n{steps}")
    if plan.remarks:
        blocks.append("\n".join(paragraphs(_sentence(remark.said(units)) for remark in plan.remarks)))
    if plan.sheet.correction is not None:
        blocks.append("\n".join(paragraphs([correction_words(plan.sheet.correction)])))
    blocks.append("\n".join(paragraphs([caution(Moment.PACKING), caution(Moment.LEAVING)])))
    return "\n\n".join(blocks)


_LABELS = (
    "which is", "oven at", "in the pack", "without the pack", "oven on, all in all", "steel lags by", "mean carbon",
    "core carbon", "surface carbon", "most anywhere", "case depth to {level:.2f} % C", "short of melting",
    "meets every wish", "energy", "gas",
)  # fmt: skip


def wish_words(plan: Plan) -> list[str]:
    """What is wanted, in words."""
    wishes, units = plan.wishes, plan.sheet.display
    words = []
    if wishes.mean_wt_pct is not None:
        words.append(f"mean {wishes.mean_wt_pct:.2f} % C")
    if wishes.core_wt_pct is not None:
        words.append(f"core {wishes.core_wt_pct:.2f} % C")
    if wishes.case_depth_m is not None:
        words.append(f"{length_words(wishes.case_depth_m, units)} to {plan.level_wt_pct:.2f} % C")
    if wishes.surface_at_most_wt_pct is not None:
        words.append(f"surface at most {wishes.surface_at_most_wt_pct:.2f} % C")
    if wishes.no_network:
        words.append("no carbide network")
    if wishes.fine_grain:
        words.append("fine grain")
    words.append(f"{_degrees(wishes.melting_margin_K, units)} short of melting")
    words.append(f"no hotter than {temperature_words(wishes.hottest_K, units)}")
    words.append(f"within {duration_words(wishes.longest_s)} of holding")
    return words


def _degrees(difference_K: float, units: DisplayUnits) -> str:
    return f"{units.temperature_difference(difference_K):.0f} {units.temperature}"


def _column(planned: Planned, plan: Plan) -> tuple[str, ...]:
    units, program = plan.sheet.display, planned.program
    carbon, of = planned.estimate.carbon, planned.bands
    assert carbon is not None
    level = plan.level_wt_pct
    depth = carbon.case_depth_m(level)
    fuel = planned.fuel
    return (
        planned.why,
        temperature_words(program.hold_K, units),
        duration_words(program.hold_s),
        duration_words(program.diffuse_s) if program.diffuse_s > 0.0 else "",
        duration_words(program.hot_s),
        duration_words(planned.lag_s) if isfinite(planned.lag_s) else "more than 12 h",
        _ranged(f"{carbon.mean_wt_pct:.2f}", None if of is None else of.mean_wt_pct, "{:.2f}", " % C"),
        _ranged(f"{carbon.core_wt_pct:.2f}", None if of is None else of.core_wt_pct, "{:.2f}", " % C"),
        _ranged(f"{carbon.surface_wt_pct:.2f}", None if of is None else of.surface_wt_pct, "{:.2f}", " % C"),
        f"{float(carbon.carbon_wt_pct.max()):.2f} % C",
        _depth_words(depth, None if of is None else of.case_depth_m.get(level), units),
        _degrees(planned.margin_K, units),
        "" if planned.meets_share is None else f"within 5 % in {100.0 * planned.meets_share:.0f} of 100 cases",
        "" if fuel.energy_J is None else f"{fuel.energy_J / JOULES_PER_KWH:.1f} kWh",
        "" if fuel.gas_kg is None else f"{fuel.gas_kg:.2f} kg",
    )


def _ranged(value: str, band: tuple[float, float, float] | None, form: str, unit: str) -> str:
    if band is None or not isfinite(band[0]):
        return value + unit
    return f"{value}{unit} ({form.format(band[0])} to {form.format(band[2])})"


def _depth_words(depth_m: float, band: tuple[float, float, float] | None, units: DisplayUnits) -> str:
    words = length_words(depth_m, units)
    if band is None or not isfinite(band[0]):
        return words
    low, high = (length_words(end, units).partition(" ")[0] for end in band[::2])
    return f"{words} ({low} to {high})"


def _sentence(words: str) -> str:
    words = words[0].upper() + words[1:]
    return words if words.endswith(".") else f"{words}."


def plan_object(plan: Plan, name: str) -> dict[str, Any]:
    """The plan as plain dicts, lists, strings, finite numbers, booleans and nulls; temperatures in C, lengths in mm."""
    wishes = plan.wishes
    return {
        "name": name,
        "possible": bool(plan.programs),
        "wishes": {
            "mean_carbon_wt_pct": wishes.mean_wt_pct,
            "core_carbon_wt_pct": wishes.core_wt_pct,
            "case_depth_mm": None if wishes.case_depth_m is None else millimetres_from_metres(wishes.case_depth_m),
            "at_carbon_wt_pct": wishes.at_carbon_wt_pct,
            "surface_at_most_wt_pct": wishes.surface_at_most_wt_pct,
            "no_network": wishes.no_network,
            "fine_grain": wishes.fine_grain,
            "melting_margin_C": wishes.melting_margin_K,
            "hottest_C": celsius_from_kelvin(wishes.hottest_K),
            "longest_h": hours_from_seconds(wishes.longest_s),
            "diffuse": wishes.diffuse,
        },
        "correction": correction_object(plan.sheet.correction),
        "programs": [_program_object(planned, plan) for planned in plan.programs],
        "closest": [str(remark) for remark in plan.closest],
        "what_would_make_it_possible": [str(remark) for remark in plan.possible],
        "remarks": [str(remark) for remark in plan.remarks],
    }


def _program_object(planned: Planned, plan: Plan) -> dict[str, Any]:
    program, fuel = planned.program, planned.fuel
    assert planned.estimate.carbon is not None
    return {
        "why": planned.why,
        "hold_C": celsius_from_kelvin(program.hold_K),
        "climb_C_per_h": program.climb_K_per_s * 3600.0,
        "climb_h": hours_from_seconds(program.climb_s),
        "in_pack_h": hours_from_seconds(program.hold_s),
        "without_pack_h": hours_from_seconds(program.diffuse_s),
        "oven_h": hours_from_seconds(program.hot_s),
        "lag_h": hours_from_seconds(planned.lag_s) if isfinite(planned.lag_s) else None,
        "margin_to_melting_C": planned.margin_K,
        "richest_wt_pct": float(planned.estimate.carbon.carbon_wt_pct.max()),
        "meets_share": planned.meets_share,
        "energy_kWh": None if fuel.energy_J is None else fuel.energy_J / JOULES_PER_KWH,
        "gas_kg": fuel.gas_kg,
        "carbon": carbon_object(planned.estimate.carbon, planned.problem.levels_wt_pct),
        "band": None if planned.bands is None else {"carbon": carbon_band_object(planned.bands)},
        "table": [list(row) for row in _rows(planned, plan)],
    }


def _rows(planned: Planned, plan: Plan) -> Sequence[tuple[str, ...]]:
    return program_rows(planned, plan.sheet.display)
