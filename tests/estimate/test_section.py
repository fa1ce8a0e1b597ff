"""A section keeps its carbon through everything that is done to it, and says where the carbon is."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputFault
from logger.estimate.section import (
    Section,
    SectionLayer,
    drawn_out,
    even_section,
    ground,
    quiet_layers_merged,
    recut,
    stacked,
    turned_over,
)
from logger.sheet_parts import Shape

IRON = SectionLayer("iron")


def uneven(thickness_m: float, seed: int, shape: Shape = Shape.PLATE) -> Section:
    """A section of three members whose carbon falls from the face inwards, each its own way."""
    even = even_section(shape, thickness_m, np.full(3, 0.1), IRON)
    rng = np.random.default_rng(seed)
    depth = even.centre_depth_m / even.depth_m
    carbon = 0.1 + rng.uniform(0.2, 1.5, (3, 1)) * np.exp(-depth * rng.uniform(1.0, 20.0, (3, 1)))
    return replace(even, carbon_wt_pct=carbon)


sizes_m = st.floats(2e-4, 0.05)
seeds = st.integers(0, 10_000)


@given(sizes_m, seeds, st.sampled_from([Shape.PLATE, Shape.ROUND]))
def test_fresh_cells_hold_exactly_the_carbon_of_the_old_ones(size_m: float, seed: int, shape: Shape) -> None:
    before = uneven(size_m, seed, shape)
    cut, _ = ground(before, 0.21 * before.depth_m)
    fresh = recut(cut)
    assert fresh.carbon_kg_per_m2 == pytest.approx(cut.carbon_kg_per_m2, rel=1e-12)
    # A cell's carbon is a difference of sums over the section, which are rounded, over a cell far smaller than it.
    rounding = 1e-14 * fresh.carbon_wt_pct.max() * fresh.volume_m.sum() / fresh.volume_m.min()
    assert np.all(fresh.carbon_wt_pct.max(axis=1) <= cut.carbon_wt_pct.max(axis=1) + rounding)
    assert np.all(fresh.carbon_wt_pct.min(axis=1) >= cut.carbon_wt_pct.min(axis=1) - rounding)


@given(sizes_m, seeds, st.floats(0.0, 0.45), st.floats(0.0, 0.45))
def test_what_is_ground_off_and_what_is_left_are_the_whole(size_m: float, seed: int, front: float, back: float) -> None:
    whole = uneven(size_m, seed)
    left, _ = ground(whole, front * size_m, back * size_m)
    total = left.carbon_kg_per_m2
    for from_front, from_back in ((0.0, 1.0 - front), (1.0 - back, 0.0)):
        if from_front + from_back < 1.0 - 1e-6:
            total = total + ground(whole, from_front * size_m, from_back * size_m)[0].carbon_kg_per_m2
    assert total == pytest.approx(whole.carbon_kg_per_m2, rel=1e-4)


@given(sizes_m, sizes_m, seeds)
def test_a_stack_holds_what_its_pieces_held_in_their_order(first_m: float, second_m: float, seed: int) -> None:
    one, two = uneven(first_m, seed), uneven(second_m, seed + 1)
    both = stacked((one, turned_over(two)))
    assert both.depth_m == pytest.approx(first_m + second_m, rel=1e-12)
    assert both.carbon_kg_per_m2 == pytest.approx(one.carbon_kg_per_m2 + two.carbon_kg_per_m2, rel=1e-12)
    assert both.layer_mean_wt_pct(1) == pytest.approx(two.mean_wt_pct, rel=1e-12)
    assert recut(both).layer_mean_wt_pct(1) == pytest.approx(two.mean_wt_pct, rel=1e-9)


@given(sizes_m, seeds, st.floats(0.2, 5.0))
def test_drawing_out_stretches_depths_and_leaves_the_mean(size_m: float, seed: int, ratio: float) -> None:
    thick = uneven(size_m, seed)
    thin = drawn_out(thick, size_m / ratio)
    assert thin.mean_wt_pct == pytest.approx(thick.mean_wt_pct, rel=1e-12)
    assert thin.at_m(0.3 * thin.depth_m) == pytest.approx(thick.at_m(0.3 * thick.depth_m), rel=1e-9)


def test_a_section_turned_over_twice_is_the_same() -> None:
    both = stacked((uneven(0.003, 1), uneven(0.001, 2)))
    again = turned_over(turned_over(both))
    assert np.allclose(again.edge_depth_m, both.edge_depth_m, atol=1e-15)
    assert np.array_equal(again.carbon_wt_pct, both.carbon_wt_pct)
    assert np.array_equal(again.layer, both.layer)


def test_a_ground_away_layer_is_gone_from_the_books() -> None:
    steels = [
        even_section(Shape.PLATE, 0.001, np.array([0.2 * each]), SectionLayer(name))
        for each, name in enumerate(("a", "b", "c"))
    ]
    left, old = ground(stacked(tuple(steels)), 0.0012)
    assert [layer.name for layer in left.layers] == ["b", "c"]
    assert old.tolist() == [1, 2]
    assert left.depth_m == pytest.approx(0.0018)


def test_many_even_layers_of_one_steel_become_one_and_uneven_ones_stay() -> None:
    plate = even_section(Shape.PLATE, 1e-4, np.full(2, 0.7), IRON)
    merged, _ = quiet_layers_merged(stacked((plate,) * 30))
    assert len(merged.layers) == 1
    rich = even_section(Shape.PLATE, 1e-4, np.full(2, 1.0), IRON)
    kept, _ = quiet_layers_merged(stacked((plate, rich) * 15))
    assert len(kept.layers) == 30


@pytest.mark.parametrize(("front_m", "back_m"), [(0.003, 0.0), (0.002, 0.001), (-1e-4, 0.0), (np.nan, 0.0)])
def test_more_than_the_piece_or_less_than_nothing_cannot_be_ground_off(front_m: float, back_m: float) -> None:
    with pytest.raises(InputFault, match="grind"):
        ground(uneven(0.003, 0), front_m, back_m)


def test_rounds_are_not_stacked() -> None:
    with pytest.raises(InputFault, match="flat"):
        stacked((uneven(0.01, 0, Shape.ROUND), uneven(0.01, 0, Shape.ROUND)))
