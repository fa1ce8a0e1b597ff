"""Pack recipes: where each comes from, and that what was derived gives back what it was derived from."""

from math import inf

import numpy as np
import pytest

from logger.errors import InputFault
from logger.estimate import carbon_problem, carbon_profile
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape
from logger.steel.pack_recipes import PACK_RECIPES, recipe_named
from logger.units import kelvin_from_celsius

SAID = ("no source", "published", "from memory", "report", "common", "itself")
"""How a source says what kind of source it is; "itself": by definition."""


def case_depth_m(pack: Pack, temperature_C: float, hours: float, start_wt_pct: float = 0.15) -> float:
    sheet = RunSheet(Piece(Shape.PLATE, 0.012, start_wt_pct), pack=pack, canister=Canister(sensor="inside"))
    problem = carbon_problem.problem_from_sheet(sheet)
    time_s = np.linspace(0.0, 3600.0 * hours, 200)
    hot_K = np.full(time_s.size, kelvin_from_celsius(temperature_C))
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, hot_K)
    return carbon_profile.at_end(problem, state).case_depth_m(0.40)


@pytest.mark.parametrize("name", sorted(PACK_RECIPES))
def test_every_recipe_says_where_its_numbers_come_from_and_how_far_they_scatter(name: str) -> None:
    recipe = recipe_named(name)
    for number in (recipe.carbon_activity, recipe.mass_transfer_m_per_s):
        assert number.spread is not None
        assert number.spread > 0.0
        assert any(word in number.source for word in SAID)
    assert recipe.mass_transfer_m_per_s.spread >= 0.5, "no published pack value is better than a factor of 1.5"


def test_the_packs_of_the_trade_are_there() -> None:
    wanted = {"energised charcoal", "plain charcoal", "graphite with bicarbonate", "charcoal with shell or chalk"}
    assert wanted | {"worn pack"} <= set(PACK_RECIPES)


def test_plain_charcoal_gives_the_published_part_of_the_energised_case() -> None:
    """1/2.8 of the case of charcoal with 30 % sea shell after 4 h at 950 C (published; see the recipe)."""
    energised = case_depth_m(Pack(recipe="charcoal with shell or chalk"), 950.0, 4.0)
    plain = case_depth_m(Pack(recipe="plain charcoal"), 950.0, 4.0)
    assert energised / plain == pytest.approx(2.8, rel=0.1)


def test_sea_shell_gives_the_published_part_of_the_carbonate_case() -> None:
    """0.82 of the case of charcoal with barium carbonate after 4 h at 950 C (published; see the recipe)."""
    shell = case_depth_m(Pack(recipe="charcoal with shell or chalk"), 950.0, 4.0)
    energised = case_depth_m(Pack(recipe="energised charcoal"), 950.0, 4.0)
    assert shell / energised == pytest.approx(0.82, rel=0.05)


def test_an_energised_pack_is_nearly_a_saturated_surface() -> None:
    """F.H. Colvin, K.A. Juthe, The Working of Steel (1922): 0.028 in after 5.5 h at 1600 F."""
    packed = case_depth_m(Pack(recipe="energised charcoal"), 871.1, 5.5)
    assert packed == pytest.approx(0.028 * 0.0254, rel=0.15)
    assert packed > 0.9 * case_depth_m(Pack(carbon_activity=1.0, mass_transfer_m_per_s=inf), 871.1, 5.5)


@pytest.mark.parametrize(("temperature_C", "hours"), [(1150.0, 1.0), (1050.0, 2.0), (1120.0, 1.5)])
def test_at_high_heat_carbon_goes_in_as_deep_as_smiths_find(temperature_C: float, hours: float) -> None:
    """0.5 to 1.5 mm in one to two hours (common practice, no source)."""
    pack = Pack(recipe="energised charcoal")
    assert 0.5e-3 < case_depth_m(pack, temperature_C, hours) < 1.8e-3


def test_an_unknown_recipe_is_refused_with_the_ones_there_are() -> None:
    with pytest.raises(InputFault, match="energised charcoal"):
        recipe_named("old socks")
