"""Every run sheet in configs is sound, says what it is meant to show, and can be run."""

import re
from pathlib import Path

import pytest

from logger.estimate import estimate
from logger.sheet import RunSheet
from logger.sheet_file import SheetTable, read_sheet
from logger.sheet_parts import PACK_KINDS, CanisterShape, Quantity, Shape, StageKind, SurfaceKind
from logger.steel.pack_recipes import PACK_RECIPES
from logger.thermocouple import ThermocoupleType, ToleranceClass
from logger.toml_file import Table
from logger.units import DisplayUnits

CONFIGS = Path(__file__).parents[2] / "configs"


def example(name: str) -> RunSheet:
    return read_sheet(CONFIGS / f"sheet-{name}.toml")


def test_the_strap_is_carburized_in_a_canister_seen_from_the_oven() -> None:
    sheet = example("carburize-strap")
    assert sheet.channel == "air"
    assert sheet.canister.sensor == "oven"
    assert sheet.pack is not None
    assert sheet.pack.recipe == "charcoal with shell or chalk"
    depth, surface = sheet.targets
    assert (depth.quantity, depth.value, depth.at_carbon_wt_pct) == (Quantity.CASE_DEPTH, pytest.approx(9e-4), 0.40)
    assert depth.judged_by == "pessimistic"
    assert surface.limit
    assert sheet.display == DisplayUnits("C", "mm")


def test_the_second_stage_diffuses_with_sealed_faces_and_inches_stay_inches() -> None:
    sheet = example("diffuse-after")
    carburize, diffuse = sheet.stages
    assert (carburize.kind, carburize.to_s) == (StageKind.CARBURIZE, 14400.0)
    assert (diffuse.kind, diffuse.from_s, diffuse.to_s) == (StageKind.DIFFUSE, 14400.0, 23400.0)
    assert diffuse.surface is SurfaceKind.SEALED
    assert sheet.piece.back is SurfaceKind.SEALED
    assert sheet.thermocouple is not None
    assert sheet.display == DisplayUnits("F", "in")


def test_the_packet_is_layers_without_a_pack() -> None:
    sheet = example("layered-packet")
    assert sheet.piece.shape is Shape.LAYERED
    assert sheet.piece.size_m == pytest.approx(0.0074)
    assert sheet.pack is None
    assert sheet.targets[0].value == 5400.0


def test_the_irons_are_tempered_down_to_a_hardness_and_not_below_another() -> None:
    sheet = example("temper-iron")
    assert [stage.kind for stage in sheet.stages] == [StageKind.TEMPER]
    reached, limit, parameter = sheet.targets
    assert (reached.value, reached.limit, limit.value, limit.limit) == (61.0, False, 59.0, True)
    assert parameter.value == 7800.0
    assert sheet.quenched_hardness_HRC == 65.0


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("sheet-*.toml")), ids=lambda path: path.stem)
def test_every_sheet_in_configs_can_be_run(path: Path) -> None:
    problem = estimate.problem_from_sheet(read_sheet(path))
    assert problem.sheet.name


def _tables(kind: type[Table]) -> list[type[Table]]:
    inner = [table for name in kind.model_fields if (table := kind.inner(name))]
    return [kind, *(each for table in inner for each in _tables(table))]


@pytest.mark.parametrize("kind", sorted(set(_tables(SheetTable)), key=lambda kind: kind.__name__))
def test_every_key_a_sheet_may_hold_is_explained(kind: type[Table]) -> None:
    explained = set(re.findall(r"`(?:\w+\.)?(\w+)`|\[+(?:\w+\.)?(\w+)\]+", (CONFIGS / "run-sheets.md").read_text()))
    words = {word for pair in explained for word in pair if word}
    missing = {
        name
        for name in kind.model_fields
        if not words & {key for key, (field, _) in kind.keys().items() if field == name}
    }
    assert missing == set()


def test_every_key_that_is_explained_is_one_a_sheet_may_hold() -> None:
    text = (CONFIGS / "run-sheets.md").read_text()
    keys = set[str]().union(*(kind.keys() for kind in _tables(SheetTable)))
    for section in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        for first_cell in re.findall(r"^\| (`[^|]*`[^|]*) \|", section, flags=re.MULTILINE):
            for key in re.findall(r"`(?:\w+\.)?([a-z]\w*)`", first_cell):
                assert key in keys, key


def test_every_word_a_sheet_may_choose_is_explained() -> None:
    text = (CONFIGS / "run-sheets.md").read_text()
    kinds = (Shape, SurfaceKind, CanisterShape, StageKind, Quantity, ThermocoupleType, ToleranceClass)
    words = [*PACK_RECIPES, *PACK_KINDS, *(word for kind in kinds for word in kind)]
    assert [word for word in words if f'"{word}"' not in text] == []
