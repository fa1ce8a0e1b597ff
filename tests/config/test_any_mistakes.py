"""Whatever is wrong with a sheet or an oven file, and however much of it: as many faults, and never a crash."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputFault
from logger.oven_file import read_oven
from logger.oven_tables import OvenTable
from logger.sheet_file import SheetTable, read_sheet
from logger.toml_file import Table

SOUND = {
    "name": '"strap"',
    "channel": '"can"',
    "piece.shape": '"plate"',
    "piece.thickness_mm": "6.0",
    "piece.carbon_wt_pct": "0.10",
    "piece.alloy_wt_pct": "{ Mn = 0.4 }",
    "pack.carbon_potential_wt_pct": "1.1",
    "pack.mass_transfer_m_per_s": "1e-7",
    "canister.sensor": '"oven"',
    "canister.outer_mm": "60",
    "canister.wall": '"1/8 in"',
    "soak.half_band_F": "25",
    "reference.temperature_C": "927",
    "tempering.constant": "15.5",
    "display.length": '"in"',
    "target[0].quantity": '"case depth"',
    "target[0].at_carbon_wt_pct": "0.4",
    "target[0].reach_mm": "0.8",
    "target[1].quantity": '"hardness"',
    "target[1].reach_HRC": "60",
    "stage[0].kind": '"carburize"',
    "stage[0].to_h": "3",
    "stage[1].kind": '"diffuse"',
    "stage[1].from_h": "3",
}
MISTAKES = {
    "name": ["3", "[]"],
    "channel": ['""', "1.5"],
    "piece.thickness_mm": ['"six"', "0", "-6", "true", '"6 C"', "nan"],
    "piece.carbon_wt_pct": ["3", '"low"'],
    "piece.alloy_wt_pct": ["{ Mn = -1 }", "{ Zz = 1 }", "{ Mn = 'some' }", "4"],
    "pack.carbon_potential_wt_pct": ["3", "{}"],
    "pack.mass_transfer_m_per_s": ["0", '"fast"'],
    "canister.sensor": ['"lid"', "1"],
    "canister.outer_mm": ["5000", '"wide"'],
    "canister.wall": ['"thin"', "2.0", '"0 mm"'],
    "soak.half_band_F": ["0", '"wide"'],
    "reference.temperature_C": ["20", "-400"],
    "tempering.constant": ["200", '"c"'],
    "display.length": ['"ft"'],
    "target[0].at_carbon_wt_pct": ["9", '"much"'],
    "target[0].reach_mm": ["0", '"deep"', '"60 HRC"'],
    "target[1].reach_HRC": ["80", '"hard"', '"3 mm"'],
    "stage[0].to_h": ['"late"', "-1"],
    "stage[1].kind": ['"toast"', "2"],
    "stage[1].from_h": ['"then"'],
}


def written(keys: dict[str, str]) -> str:
    """A sheet in which every key stands on a line of its own."""
    lines: list[str] = []
    table = ""
    for path, value in keys.items():
        header, _, key = path.rpartition(".")
        if header != table:
            table = header
            name = header.partition("[")[0]
            lines.append(f"[[{name}]]" if "[" in header else f"[{name}]")
        lines.append(f"{key} = {value}")
    return "\n".join(lines) + "\n"


@given(
    wrong=st.lists(st.sampled_from(sorted(MISTAKES)), unique=True, max_size=len(MISTAKES)).flatmap(
        lambda paths: st.tuples(*(st.tuples(st.just(path), st.sampled_from(MISTAKES[path])) for path in paths))
    )
)
def test_a_sheet_with_n_mistakes_reports_n_faults_each_at_its_place(
    tmp_path_factory: pytest.TempPathFactory, wrong: tuple[tuple[str, str], ...]
) -> None:
    path = tmp_path_factory.mktemp("sheet") / "sheet.toml"
    path.write_text(written({**SOUND, **dict(wrong)}))
    if not wrong:
        assert read_sheet(path).name == "strap"
        return
    with pytest.raises(InputFault) as refusal:
        read_sheet(path)
    places = [fault.where.partition(": ")[2] for fault in refusal.value.faults]
    mistaken = {place for place, _ in wrong}
    within = [next((m for m in mistaken if place == m or place.startswith(f"{m}.")), place) for place in places]
    assert sorted(within) == sorted(mistaken)


def _every_key(kind: type[Table]) -> list[str]:
    inner = [each for name in kind.model_fields if (table := kind.inner(name)) for each in _every_key(table)]
    return [*kind.keys(), *inner]


SCALARS = (
    st.integers(min_value=-(10**20), max_value=10**20).map(str)
    | st.floats().map(lambda value: repr(value))
    | st.sampled_from(["true", "false", "1979-05-27T07:32:00Z", "1979-05-27", "07:32:00", "inf", "-inf", "nan"])
    | st.sampled_from(['"plate"', '"6 mm"', '"inf"', '"oven"', '"temper"', '"case depth"', '"rtu"', '"text"', '"K"'])
    | st.text(max_size=8).map(lambda text: '"' + "".join(f"\\u{ord(c):04x}" for c in text if ord(c) < 0xD800) + '"')
)


def _tables(keys: list[str]) -> st.SearchStrategy[str]:
    key = st.sampled_from(sorted(set(keys))) | st.sampled_from(["colour", '"a b"', "x.y"])
    value = st.recursive(
        SCALARS,
        lambda inner: (
            st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]")
            | st.dictionaries(key, inner, max_size=3).map(
                lambda table: "{ " + ", ".join(f"{k} = {v}" for k, v in table.items()) + " }"
            )
        ),
        max_leaves=6,
    )
    return st.dictionaries(key, value, max_size=6).map(
        lambda table: "\n".join(f"{k} = {v}" for k, v in table.items()) + "\n"
    )


@given(text=_tables(_every_key(SheetTable)))
def test_no_sheet_whatever_it_holds_is_answered_with_a_crash(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.mktemp("sheet") / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputFault):  # none of them has a whole piece
        read_sheet(path)


@given(text=_tables(_every_key(OvenTable)))
def test_no_oven_file_whatever_it_holds_is_answered_with_a_crash(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.mktemp("oven") / "oven.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputFault):
        read_oven(path)


def test_the_sheet_the_mistakes_are_made_in_is_itself_sound(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    path.write_text(written(SOUND))
    assert len(read_sheet(path).targets) == 2
