"""The start form: what is filled in becomes a run sheet and is judged as the file is."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputFault
from logger.page.sheet_form import checked, sheet_text, toml_string
from logger.sheet_file import parse_sheet
from logger.units import DisplayUnits

FILLED = {
    "purpose": "carburize",
    "name": "Plane-iron straps",
    "shape": "plate",
    "thickness": "6",
    "carbon": "0.05",
    "manganese": "0.05",
    "recipe": "energised charcoal",
    "sensor": "oven",
    "canister_shape": "tube",
    "outer": "60",
    "wall": "2",
    "pack_kind": "charcoal",
    "depth": "0.8",
    "at_carbon": "0.40",
    "soak": "2 h 30 min",
}
METRIC, INCHES = DisplayUnits("C", "mm"), DisplayUnits("F", "in")


def test_a_filled_in_form_is_the_sheet_that_a_file_would_be() -> None:
    sheet = checked(sheet_text(FILLED, METRIC)).sheet
    assert sheet is not None
    assert sheet.piece.size_m == pytest.approx(0.006)
    assert sheet.pack is not None
    assert sheet.pack.recipe == "energised charcoal"
    assert sheet.canister.outer_m == pytest.approx(0.060)
    assert [target.value for target in sheet.targets] == pytest.approx([0.0008, 9000.0])
    assert sheet.display == METRIC


def test_a_plain_number_is_in_the_unit_beside_its_field_and_anything_else_as_it_is_typed() -> None:
    sheet = checked(
        sheet_text({**FILLED, "thickness": "1/4 in", "outer": "2.5", "wall": ".08", "depth": ".03"}, INCHES)
    ).sheet
    assert sheet is not None
    assert sheet.piece.size_m == pytest.approx(0.25 * 0.0254)
    assert sheet.canister.outer_m == pytest.approx(2.5 * 0.0254)
    assert sheet.display == INCHES


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("thickness", ""),
        ("thickness", "six"),
        ("thickness", "6 C"),
        ("thickness", "-2"),
        ("carbon", ""),
        ("carbon", "40"),
        ("manganese", "x"),
        ("outer", ""),
        ("depth", "2 h"),
        ("at_carbon", ""),
        ("soak", "0.5 mm"),
        ("recipe", "secret powder"),
    ],
)
def test_a_fault_stands_at_its_field_with_the_words_of_the_file(field: str, value: str) -> None:
    text = sheet_text({**FILLED, field: value}, METRIC)
    found = checked(text)
    with pytest.raises(InputFault) as refusal:
        parse_sheet(text, "sheet")
    assert [fault for _, fault in found.faults] == list(refusal.value.faults)
    assert field in [place for place, _ in found.faults]


def test_fields_that_are_not_on_show_do_not_go_into_the_sheet() -> None:
    kept = tomllib.loads(sheet_text({**FILLED, "purpose": "temper", "hardness": "61", "diameter": "9"}, METRIC))
    assert "pack" not in kept
    assert "diameter" not in kept["piece"]
    assert [target["quantity"] for target in kept["target"]] == ["soak time", "hardness"]
    assert kept["stage"] == [{"kind": "temper"}]


def test_a_field_that_does_not_exist_is_refused() -> None:
    with pytest.raises(InputFault, match="unknown field"):
        sheet_text({**FILLED, "record": "/etc/passwd"}, METRIC)


@given(st.text())
def test_any_text_comes_back_out_of_the_sheet_as_it_was_typed(value: str) -> None:
    assert tomllib.loads(f"name = {toml_string(value)}")["name"] == value.encode("utf-8", "replace").decode("utf-8")


@given(st.dictionaries(st.sampled_from(sorted(FILLED)), st.text(max_size=30), max_size=6))
def test_nothing_that_is_typed_is_more_than_a_fault(typed: dict[str, str]) -> None:
    filled = {**FILLED, **{name: value for name, value in typed.items() if name != "purpose"}}
    checked(sheet_text(filled, METRIC))
