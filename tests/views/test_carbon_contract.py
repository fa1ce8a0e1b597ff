"""The JSON of a review carries all the estimate knows of the carbon."""

from dataclasses import fields

import numpy as np
import pytest

from logger.estimate import carbon_problem, carbon_profile, estimate
from logger.estimate.carbon_result import CarbonResult
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Layer, Pack, Piece, Shape, SurfaceKind
from logger.thermocouple import Thermocouple
from logger.units import kelvin_from_celsius
from logger.views.band_contract import band_object
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


LAYERS = (Layer(0.001, 0.1, {}), Layer(0.002, 0.8, {}))


@pytest.mark.parametrize(
    ("piece", "has_back_face"),
    [
        (Piece(Shape.PLATE, 0.003, 0.1), False),
        (Piece(Shape.ROUND, 0.003, 0.1), False),
        (Piece(Shape.PLATE, 0.003, 0.1, back=SurfaceKind.SEALED), True),
        (Piece(Shape.LAYERED, 0.003, 0.1, layers=LAYERS), True),
    ],
)
def test_only_a_section_from_face_to_face_has_carbon_at_a_back_face(piece: Piece, has_back_face: bool) -> None:
    sheet = RunSheet(piece, pack=Pack(carbon_activity=1.0), canister=Canister(sensor="inside"))
    time_s = np.arange(0.0, 3600.0, 30.0)
    hot_K = np.full(time_s.size, kelvin_from_celsius(950.0))
    problem = estimate.problem_from_sheet(sheet, Thermocouple(), members=4)
    state = estimate.over_history(problem, History("steel", time_s, hot_K, 30.0))
    found = estimate.at_end(problem, state)
    assert found.carbon is not None
    told, of = carbon_object(found.carbon, (0.4,)), band_object(estimate.bands_at_end(problem, state))
    assert of is not None
    assert told["back_surface_wt_pct"] == (found.carbon.carbon_wt_pct[-1] if has_back_face else None)
    assert (of["carbon"]["back_surface_wt_pct"] is not None) == has_back_face
    assert of["carbon"]["profile"]["depth_mm"] == told["profile"]["depth_mm"]
