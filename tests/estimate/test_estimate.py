"""The whole estimate over a history: however it is cut, saved or replayed, it is the same to the last bit."""

import pickle
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger import target
from logger.errors import InputFault
from logger.estimate import estimate
from logger.estimate.estimate import EstimateState, Problem
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Quantity, Shape, Stage, StageKind, Target
from logger.situation import Situation
from logger.units import kelvin_from_celsius
from logger.views.contract import review_object

READINGS = 900
INTERVAL_S = 20.0


def sheet_of(sensor: str) -> RunSheet:
    return RunSheet(
        piece=Piece(Shape.PLATE, 0.006, 0.10),
        pack=Pack(carbon_activity=1.0, mass_transfer_m_per_s=2e-7),
        canister=Canister(sensor=sensor, outer_m=0.06),
        stages=(
            Stage(StageKind.CARBURIZE, 0.0, 9000.0),
            Stage(StageKind.DIFFUSE, 9000.0, 12000.0),
            Stage(StageKind.TEMPER, 12000.0),
        ),
        targets=(
            Target(Quantity.CASE_DEPTH, 0.0004, 0.40, judged_by="pessimistic"),
            Target(Quantity.EQUIVALENT_TIME, 3600.0),
        ),
    )


def history_with_faults() -> History:
    """A heat with noise, single missing readings, a long hole and a spike, seeded."""
    rng = np.random.default_rng(20261125)
    time_s = INTERVAL_S * np.arange(READINGS)
    temperature_C = np.interp(
        time_s, [0, 3600, 4800, 9600, 12000, 14400, 17000, 18000], [20, 880, 945, 940, 60, 200, 205, 90]
    ) + rng.normal(0.0, 0.8, READINGS)
    temperature_C[rng.random(READINGS) < 0.02] = np.nan
    temperature_C[300:340] = np.nan
    temperature_C[400] += 150.0
    return History("oven", time_s, kelvin_from_celsius(temperature_C), INTERVAL_S)


HISTORY = history_with_faults()
PROBLEMS = {sensor: estimate.problem_from_sheet(sheet_of(sensor)) for sensor in ("inside", "oven")}
WHOLE = {sensor: estimate.over_history(problem, HISTORY) for sensor, problem in PROBLEMS.items()}


def everything(problem: Problem, state: EstimateState) -> dict[str, object]:
    """Every number of an estimate as the JSON contract gives it, bands included, and both trails."""
    bands = estimate.bands_at_end(problem, state)
    situation = Situation(
        oven="",
        run="",
        name="",
        problem=problem,
        state=state,
        estimate=estimate.at_end(problem, state),
        bands=bands,
        statuses=target.statuses(problem, state, bands),
        now_s=state.last_time_s,
        now_utc_s=None,
        last_good_s=None,
    )
    return {**review_object(situation), "trail": repr(state.trail), "band trail": repr(state.band_trail)}


@pytest.mark.parametrize("sensor", ["inside", "oven"])
@settings(max_examples=4, deadline=None)
@given(cuts=st.lists(st.integers(1, READINGS - 1), max_size=12), saved_at=st.integers(0, 11))
def test_any_cutting_and_saving_gives_the_same_bits(sensor: str, cuts: list[int], saved_at: int) -> None:
    problem, state = PROBLEMS[sensor], estimate.begin(PROBLEMS[sensor], "oven")
    edges = [0, *sorted(set(cuts)), READINGS]
    for number, (first, last) in enumerate(pairwise(edges)):
        state = estimate.advance(problem, state, HISTORY.piece(first, last))
        estimate.at_end(problem, state)
        if number == saved_at:
            state = pickle.loads(pickle.dumps(state))
    assert everything(problem, state) == everything(problem, WHOLE[sensor])


def test_reading_by_reading_gives_the_same_bits_as_all_at_once() -> None:
    problem = PROBLEMS["inside"]
    state = estimate.begin(problem, "oven")
    for index in range(READINGS):
        state = estimate.advance(problem, state, HISTORY.piece(index, index + 1))
    assert everything(problem, state) == everything(problem, WHOLE["inside"])


def test_through_wall_and_pack_the_steel_lives_through_less_than_the_oven_says() -> None:
    inside = estimate.at_end(PROBLEMS["inside"], WHOLE["inside"])
    modelled = estimate.at_end(PROBLEMS["oven"], WHOLE["oven"])
    assert modelled.thermal.equivalent_time_s < inside.thermal.equivalent_time_s
    assert modelled.thermal.soak_s < modelled.thermal.oven_soak_s


def test_a_trail_point_stands_in_every_interval_that_has_a_reading() -> None:
    times = np.array([point.time_s for point in WHOLE["inside"].trail])
    numbers = np.unique(HISTORY.time_s // estimate.TRAIL_INTERVAL_S)
    assert np.array_equal(times // estimate.TRAIL_INTERVAL_S, numbers)


@pytest.mark.parametrize(
    ("channels", "named", "told"),
    [
        (("left", "right"), None, "run sheet, channel: found none named"),
        (
            ("left", "right"),
            "middle",
            'run sheet, channel: found "middle", expected one of the temperature channels: left, right',
        ),
        ((), None, "channels: found no temperature channel, expected at least one"),
    ],
)
def test_a_run_must_have_one_channel_that_judges_it(channels: tuple[str, ...], named: str | None, told: str) -> None:
    sheet = RunSheet(piece=Piece(Shape.PLATE, 0.006, 0.1), channel=named)
    with pytest.raises(InputFault) as refusal:
        estimate.driving_channel(channels, sheet)
    assert str(refusal.value).startswith(told)
