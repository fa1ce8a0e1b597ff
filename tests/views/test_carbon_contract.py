"""The JSON of a review carries all the estimate knows of the carbon."""

from dataclasses import fields

import numpy as np

from logger.estimate import carbon_problem, carbon_profile
from logger.estimate.carbon_result import CarbonResult
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape
from logger.units import kelvin_from_celsius
from logger.views.contract import carbon_object

ELSEWHERE = {"time_s": "end_s", "temperature_K": "thermal.steel_C", "warnings": "warnings[]"}
"""Fields of the result that stand at another place of the object."""


def key_of(field: str) -> str:
    """A field's name in the unit of the object."""
    for ending, own in (("_kg_per_m2", "_g_per_m2"), ("depth_m", "depth_mm"), ("_now_m", "_now_mm"), ("_K", "_C")):
        field = field.removesuffix(ending) + own if field.endswith(ending) else field
    return field


def test_every_field_of_the_result_has_its_key() -> None:
    sheet = RunSheet(Piece(Shape.PLATE, 0.003, 0.1), pack=Pack(carbon_activity=1.0), canister=Canister(sensor="inside"))
    problem = carbon_problem.problem_from_sheet(sheet)
    time_s = np.arange(0.0, 3600.0, 30.0)
    hot_K = np.full(time_s.size, kelvin_from_celsius(1170.0))
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, hot_K)
    result = carbon_profile.at_end(problem, state)
    told = carbon_object(result, (0.3, 0.4))
    profile = {"depth_m": "depth_mm", "carbon_wt_pct": "carbon_wt_pct"}
    for field in fields(CarbonResult):
        if field.name in profile:
            assert profile[field.name] in told["profile"]
        elif field.name not in ELSEWHERE and not field.name.startswith("deepest"):
            assert key_of(field.name) in told, field.name
    assert told["margin_to_solidus_wt_pct"] == result.margin_to_solidus_wt_pct
    assert told["liquid_depth_mm"] > 0.0
