"""A planned program as files: a ramp and soak table, and a run sheet for ``watch``. Text in, text out."""

import csv
import io

from logger.plan import Plan, Planned
from logger.sheet_file import parse_sheet
from logger.sheet_parts import Quantity, Target
from logger.toml_text import KeyPath, lines_of_keys
from logger.units import DisplayUnits, celsius_from_kelvin, hours_from_seconds, millimetres_from_metres
from logger.wishes import Wishes

REPLACED = ("plan", "stage", "target")
"""Tables of the old sheet that the new one states anew."""

HEAD = ("step", "what", "to", "unit", "rate_per_h", "time_h", "from_h", "to_h")


def program_rows(planned: Planned, units: DisplayUnits) -> list[tuple[str, ...]]:
    """The program step by step: what, to which temperature, how fast, for how long, from when to when [h]."""
    program = planned.program
    at = f"{units.temperature_from_kelvin(program.hold_K):.0f}"
    rate = f"{units.temperature_difference(program.climb_K_per_s * 3600.0):.0f}"
    steps = [("ramp", at, rate, program.climb_s), ("hold, in the pack", at, "", program.hold_s)]
    if program.diffuse_s > 0.0:
        steps.append(("hold, without the pack", at, "", program.diffuse_s))
    rows, from_s = [], 0.0
    for number, (what, to, per_h, duration_s) in enumerate(steps, start=1):
        until_s = from_s + duration_s
        times = (f"{hours_from_seconds(each):.2f}" for each in (duration_s, from_s, until_s))
        rows.append((str(number), what, to, units.temperature, per_h, *times))
        from_s = until_s
    off = f"{hours_from_seconds(from_s):.2f}"
    return [*rows, (str(len(steps) + 1), "off, cool with the oven shut", "", "", "", "", off, "")]


def program_csv(planned: Planned, units: DisplayUnits) -> str:
    """The same as CSV, with its head."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEAD)
    writer.writerows(program_rows(planned, units))
    return out.getvalue()


def sheet_text(plan: Plan, planned: Planned, text: str, name: str) -> str:
    """The run sheet of a planned heat, to be watched: the old sheet with stages and targets of this program.

    Parameters
    ----------
    plan, planned : the plan and the program that is to be run
    text : the old sheet
    name : its name, for messages

    Returns    TOML text that `parse_sheet` reads
    """
    kept = without(text, REPLACED).rstrip("\n")
    program = planned.program
    turn_s = program.climb_s + program.hold_s
    parts = [kept, "", f"# Planned: {program_words(planned)}", "[[stage]]", 'kind = "carburize"']
    if program.diffuse_s > 0.0:
        turn = f"{hours_from_seconds(turn_s):.4f}"
        parts += [f"to_h = {turn}", "", "[[stage]]", 'kind = "diffuse"', f"from_h = {turn}"]
    for target in targets_of(plan.wishes):
        parts += ["", "[[target]]", f'quantity = "{target.quantity}"']
        if target.at_carbon_wt_pct is not None:
            parts.append(f"at_carbon_wt_pct = {target.at_carbon_wt_pct:g}")
        depth = target.quantity is Quantity.CASE_DEPTH
        value = millimetres_from_metres(target.value) if depth else target.value
        parts.append(f"{'reach_mm' if depth else 'reach_wt_pct'} = {value:.6g}")
        if target.limit:
            parts.append("limit = true")
    written = "\n".join(parts) + "\n"
    parse_sheet(written, name)
    return written


def program_words(planned: Planned) -> str:
    """A program on one line, in Celsius and hours."""
    program = planned.program
    words = f"{celsius_from_kelvin(program.hold_K):.0f} C, {hours_from_seconds(program.hold_s):.2f} h in the pack"
    if program.diffuse_s > 0.0:
        words += f", {hours_from_seconds(program.diffuse_s):.2f} h without it"
    return words


def targets_of(wishes: Wishes) -> tuple[Target, ...]:
    """The wishes as targets of a run sheet; not the surface's bound, which a diffuse stage may pass on its way."""
    found = []
    if wishes.mean_wt_pct is not None:
        found.append(Target(Quantity.MEAN_CARBON, wishes.mean_wt_pct))
    if wishes.core_wt_pct is not None:
        found.append(Target(Quantity.CORE_CARBON, wishes.core_wt_pct))
    if wishes.case_depth_m is not None:
        found.append(Target(Quantity.CASE_DEPTH, wishes.case_depth_m, wishes.at_carbon_wt_pct))
    return tuple(found)


def without(text: str, tables: tuple[str, ...]) -> str:
    """A TOML text without some of its top-level tables, comments inside them included."""
    lines = text.split("\n")
    starts = sorted({line for path, line in lines_of_keys(text).items() if _is_table_line(lines[line - 1], path)})
    kept: list[str] = []
    drops = False
    for number, line in enumerate(lines, start=1):
        if number in starts or line.lstrip().startswith("["):
            drops = _table_name(line) in tables
        if not drops:
            kept.append(line)
    return "\n".join(kept)


def _is_table_line(line: str, path: KeyPath) -> bool:
    return bool(path) and line.lstrip().startswith("[")


def _table_name(line: str) -> str:
    """The top-level table that a heading line opens."""
    return line.strip().lstrip("[").split("]")[0].split(".")[0].strip().strip('"')
