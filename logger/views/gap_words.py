"""What the gaps alone may have changed, in words: the run with the oven off in them, as estimated, and kept on."""

from math import isfinite

from logger.estimate.bands import GapCase
from logger.sheet import level_shown_wt_pct
from logger.situation import Situation
from logger.views.wording import carbon_words, duration_words, hardness_words, hours_words, length_words

Row = tuple[str, ...]


def gap_case_rows(situation: Situation) -> tuple[Row, ...]:
    """Rows of four words: what, with the oven off, as estimated, with the oven kept on.

    Only what the gaps can have changed: none without long gaps, or where they hide nothing that shows.
    """
    bands = situation.bands
    cases = None if bands is None else bands.gap_cases
    if cases is None:
        return ()
    thermal, carbon, tempered = situation.estimate.thermal, situation.estimate.carbon, situation.estimate.tempering
    sheet = situation.problem.sheet
    low, high = cases.low, cases.high
    rows: list[Row] = []
    if thermal.soaks:
        rows.append(("at heat inside", *map(duration_words, (low.soak_s, thermal.soak_s, high.soak_s))))
    equal_s = (low.equivalent_time_s, thermal.equivalent_time_s, high.equivalent_time_s)
    if tempered is None:
        rows.append(("equivalent time", *map(hours_words, equal_s)))
    if carbon is not None and (sheet.pack is not None or any(stage.pack is not None for stage in sheet.stages)):
        level = level_shown_wt_pct(sheet)
        depths_m = (low.case_depth_m[level], carbon.case_depth_m(level), high.case_depth_m[level])
        deep = (length_words(depth_m, sheet.display) for depth_m in depths_m)
        rows.append((f"case depth to {level:.2f} % C", *deep))
        at_surface = (low.surface_wt_pct, carbon.surface_wt_pct, high.surface_wt_pct)
        rows.append(("surface carbon", *map(carbon_words, at_surface)))
        melted_m = (low.liquid_depth_m, carbon.liquid_depth_m, high.liquid_depth_m)
        if max(melted_m) > 0.0:
            rows.append(("melted", *(length_words(depth_m, sheet.display) for depth_m in melted_m)))
    if tempered is not None and tempered.begun and tempered.hardness_HRC is not None and _tempers(low, high):
        hard = (low.hardness_HRC, float(tempered.hardness_HRC), high.hardness_HRC)
        rows.append(("hardness expected", *map(hardness_words, hard)))
    return tuple(row for row in rows if len(set(row[1:])) > 1)


def _tempers(low: GapCase, high: GapCase) -> bool:
    return isfinite(low.hardness_HRC) and isfinite(high.hardness_HRC)
