"""Equivalent time: the Arrhenius integral, exact on straight lines."""

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from logger.estimate import equivalent_time
from logger.estimate.equivalent_time import EquivalentTimeProblem
from logger.units import kelvin_from_celsius

TABLE = Path(__file__).parent.parent / "published" / "equivalent_time.csv"


def published() -> list[dict[str, str]]:
    """Rows of the table."""
    with TABLE.open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def hours(problem: EquivalentTimeProblem, time_s: list[float], temperature_C: list[float]) -> float:
    """Equivalent hours of a trace."""
    t, x = np.array(time_s, dtype=float), kelvin_from_celsius(np.array(temperature_C, dtype=float))
    state = equivalent_time.advance(problem, equivalent_time.begin(problem), t, x)
    return float(equivalent_time.at_end(problem, state)[0]) / 3600.0


@pytest.mark.parametrize("row", published(), ids=lambda row: f"{row['temperature_C']} C, {row['energy_J_per_mol']}")
def test_an_hour_at_temperature_is_the_tabulated_hours_at_950_C(row: dict[str, str]) -> None:
    problem = EquivalentTimeProblem(float(row["energy_J_per_mol"]), kelvin_from_celsius(950.0))
    T = float(row["temperature_C"])
    assert hours(problem, [0, 3600], [T, T]) == pytest.approx(float(row["hours_at_950_C"]), abs=0.0006)


@pytest.mark.parametrize(("energy", "expected_h"), [(142000.0, 0.257), (148000.0, 0.248)])
def test_a_ramp_from_20_to_950_C_at_5_C_per_minute_adds_a_quarter_of_an_hour(energy: float, expected_h: float) -> None:
    problem = EquivalentTimeProblem(energy, kelvin_from_celsius(950.0))
    assert hours(problem, [0, 930 * 12], [20, 950]) == pytest.approx(expected_h, abs=0.0006)


def test_less_than_three_percent_of_that_ramp_comes_from_below_727_C() -> None:
    problem = EquivalentTimeProblem()
    assert hours(problem, [0, 707 * 12], [20, 727]) < 0.03 * hours(problem, [0, 930 * 12], [20, 950])


# Callister, example 5.3 (copper in aluminium): D 5.3e-13 m2/s at 600 C, 4.8e-14 at 500 C; 10 h are 110.4 h.
def test_ten_hours_at_600_C_are_110_hours_at_500_C_for_copper_in_aluminium() -> None:
    energy = 8.314462618 * np.log(5.3e-13 / 4.8e-14) / (1.0 / 773.0 - 1.0 / 873.0)
    problem = EquivalentTimeProblem(float(energy), 773.0)
    T_C = 873.0 - 273.15
    assert hours(problem, [0, 36000], [T_C, T_C]) == pytest.approx(110.4, abs=0.1)


@given(
    st.floats(20.0, 1300.0),
    st.floats(20.0, 1300.0),
    st.sampled_from([1e4, 100e3, 148e3, 400e3, 1e6]),  # the ends are the least and the most a sheet may say
)
def test_one_straight_line_is_integrated_as_well_as_adaptive_quadrature(a_C: float, b_C: float, energy: float) -> None:
    problem = EquivalentTimeProblem(energy, kelvin_from_celsius(950.0))
    a, b = kelvin_from_celsius(a_C), kelvin_from_celsius(b_C)

    def weight(share: float) -> float:
        return float(equivalent_time.rate(problem, np.array(a + share * (b - a))))

    # The weight is steepest at the hot end: cut there so that the reference itself is good.
    hot = 1.0 if b > a else 0.0
    points = [abs(hot - d) for d in (0.5, 0.2, 0.05, 0.01)]
    reference = quad(weight, 0.0, 1.0, epsabs=0.0, epsrel=1e-11, limit=400, points=points)[0]
    ours = float(equivalent_time.mean_weight(np.array([a]), np.array([b]), problem)[0])
    assert ours == pytest.approx(reference, rel=1e-9)


@given(st.lists(st.floats(300.0, 1500.0), min_size=2, max_size=60), st.lists(st.integers(0, 60), max_size=6))
def test_any_cut_of_the_history_gives_the_same_bits(temperatures: list[float], cuts: list[int]) -> None:
    problem = EquivalentTimeProblem()
    x = np.array([temperatures, temperatures[::-1]])
    t = np.arange(x.shape[1]) * 7.0
    whole = equivalent_time.advance(problem, equivalent_time.begin(problem), t, x)
    state = equivalent_time.begin(problem)
    edges = [0, *sorted({c % (t.size + 1) for c in cuts}), t.size]
    for a, b in pairwise(edges):
        state = equivalent_time.advance(problem, state, t[a:b], x[:, a:b])
    assert state.equivalent_s.tobytes() == whole.equivalent_s.tobytes()
