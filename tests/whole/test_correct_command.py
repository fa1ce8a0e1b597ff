"""Coupons as a person enters them: from the command line into the record, and out again."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from logger.command import main
from logger.reading import Quality, Reading
from logger.record import RecordReader, RecordWriter
from logger.sheet_file import parse_sheet

SHEET = """
[piece]
shape = "plate"
thickness_mm = 3.0
carbon_wt_pct = 0.05
iron_lot = "barn door"
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
"""
WEIGHED = ("weight", "last", "--before", "28.31 g", "--after", "28.44 g", "--area", "29 cm2")
MILD = ("--thickness", "3 mm", "--carbon", "0.10 %")


@pytest.fixture(scope="module")
def heated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with one run of four hours at 930 C."""
    record = tmp_path_factory.mktemp("heated") / "record.db"
    time_s = np.arange(0.0, 5.5 * 3600.0, 180.0)
    temperature_K = np.interp(time_s, [0.0, 1800.0, 4.5 * 3600.0, 5.5 * 3600.0], [300.0, 1203.15, 1203.15, 600.0])
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven="left", channels=["load"], sheet_name="strap", sheet_text=SHEET, started_utc_s=1.7e9,
            software="test", poll_interval_s=180.0,
        )  # fmt: skip
        batch = [
            Reading("load", float(t), 1.7e9 + float(t), float(T), Quality.GOOD, "x")
            for t, T in zip(time_s, temperature_K, strict=True)
        ]
        writer.append_readings(run, batch)
        writer.end_run(run, "ended", ended_utc_s=1.7e9 + 20_000.0)
    return record


class Bench:
    """A copy of the record, and the commands typed at it."""

    def __init__(self, heated: Path, folder: Path) -> None:
        self.record = folder / "record.db"
        self.record.write_bytes(heated.read_bytes())

    def __call__(self, *words: str, exit_code: int = 0) -> Result:
        result = CliRunner().invoke(main, ["correct", *words, "--record", str(self.record)])
        assert result.exit_code == exit_code, result.output
        return result

    def measured(self) -> int:
        """How many measurements are in the record."""
        with RecordReader(self.record) as reader:
            return len(reader.measurements())


@pytest.fixture
def bench(heated: Path, tmp_path: Path) -> Bench:
    return Bench(heated, tmp_path)


def test_a_weighed_coupon_is_shown_against_the_book_with_its_picture(bench: Bench, tmp_path: Path) -> None:
    shown = bench(*WEIGHED, *MILD, "--picture", str(tmp_path / "coupons.png")).output
    assert "gained 0.13 g" in shown
    assert "mass transfer" in shown
    assert 'The next run whose sheet names "energised charcoal" uses this' in shown
    assert (tmp_path / "coupons.png").read_bytes().startswith(b"\x89PNG")
    found = json.loads(bench("show", "--json").stdout)
    (evidence,) = found["evidence"]
    assert evidence["value"] == pytest.approx(0.13e-3 / 29e-4)
    assert evidence["after"][2] - evidence["after"][0] < evidence["before"][2] - evidence["before"][0]


def test_the_coupon_is_described_once_and_depths_answer_in_the_readers_unit(bench: Bench) -> None:
    bench(*WEIGHED, *MILD)
    shown = bench("depth", "last", "--deep", "0.027 in", "--to", "0.40 %", "--length", "in").output
    assert "etched depth to 0.40 %" in shown
    assert "0.027" in shown
    with RecordReader(bench.record) as reader:
        assert [row.detail["coupon"]["carbon_wt_pct"] for row in reader.measurements()] == [0.10, 0.10]


def test_a_withdrawn_one_no_longer_counts(bench: Bench) -> None:
    bench(*WEIGHED, *MILD)
    number = json.loads(bench("show", "--json").stdout)["evidence"][0]["number"]
    assert "Nothing measured on coupons counts yet" in bench("withdraw", str(number)).output
    assert json.loads(bench("show", "--json").stdout)["evidence"] == []
    assert bench.measured() == 2  # the withdrawal is a line of its own


def test_the_table_for_a_run_sheet_is_one_that_a_run_sheet_takes(bench: Bench) -> None:
    bench(*WEIGHED, "--lot", "barn door")
    table = bench("show", "--sheet-table").output
    assert tomllib.loads(table)["correction"]["recipe"] == "energised charcoal"
    correction = parse_sheet(SHEET + table, "sheet").correction
    assert correction is not None
    assert correction.iron_lot == "barn door"
    assert correction.covariance[1][1] < 0.8


def test_sparks_are_kept_with_their_photo_and_change_nothing(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "sparks.jpg").write_bytes(b"not really a photo")
    bench("spark", "last", "--class", "4", "--note", "forks at the wheel", "--photo", str(tmp_path / "sparks.jpg"))
    found = json.loads(bench("show", "--json").stdout)
    assert found["coefficients"] == []
    assert found["spark_tests"][0]["photo"] == "sparks.jpg"
    shown = bench(*WEIGHED, *MILD).output
    assert "class 4 of 5" in shown


def test_the_guide_says_which_coupon_and_what_to_expect() -> None:
    said = CliRunner().invoke(main, ["correct", "--guide"]).output
    for words in ("weighed", "etched", "error to expect", "nothing to reckon with"):
        assert words in said


REFUSED = [
    ((*WEIGHED[:5], "28.30 g", *WEIGHED[6:], *MILD), "weight gain: found 28.3 g after, 28.31 g before"),
    ((*WEIGHED[:7], "0 cm2", *MILD), "area: found 0 mm2, expected more than 0"),
    ((*WEIGHED[:7], "29 g", *MILD), '--area: found "29 g", expected an area such as "29 cm2"'),
    ((*WEIGHED[:3], "0 g", *WEIGHED[4:], *MILD), "mass: found 0 g, expected more than 0"),
    (("depth", "last", "--deep", "0.8 mm"), "depth: found no criterion, expected what it was read to"),
    (("depth", "last", "--deep", "0.8 mm", "--to", "0.4", "--criterion", "core + 0.04 %"), "depth: found two criteria"),
    (("depth", "last", "--deep", "-1 mm", "--to", "0.4"), "depth: found -1 mm, expected more than 0"),
    (("hardness", "last", "--reads", "80", "--depth", "0.1 mm", "--from", "800 C"), "hardness: found 80 HRC"),
    (("hardness", "last", "--reads", "60", "--depth", "0.1 mm", "--from", "500 C"), "austenitizing temperature"),
    (("carbon", "last", "--percent", "12"), "carbon: found 12 %, expected 0 to 6.67 %"),
    (("weight", "2020", *WEIGHED[2:]), "run 2020: found no such run"),
    ((*WEIGHED, "--thickness", "3 mm", "--carbon", "5 %"), "coupon, carbon: found 5 %"),
    ((*WEIGHED, "--alloy", "Zz=1"), "Zz"),
    (("withdraw", "9"), "measurement: found no number 9, expected one that stands: none yet"),
    (("show", "--sheet-table"), "expected something known of: nothing yet"),
]


@pytest.mark.parametrize(("words", "said"), REFUSED, ids=lambda value: value if isinstance(value, str) else "")
def test_what_teaches_nothing_is_refused_in_one_line_and_not_kept(
    heated: Path, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    bench = Bench(heated, tmp_path)
    refused = bench(*words, exit_code=2)
    assert said in refused.output
    assert len(refused.output.strip().splitlines()) == 1
    assert bench.measured() == 0


def test_spark_tests_are_of_something_and_one_of_five(bench: Bench) -> None:
    assert "spark class: found 7, expected 1 to 5" in bench("spark", "last", "--class", "7", exit_code=2).output
    assert "RUN or --piece: found neither" in bench("spark", "--class", "3", exit_code=2).output
    assert "no such file" in bench("spark", "last", "--class", "3", "--photo", "gone.jpg", exit_code=2).output
    assert "no such piece" in bench("spark", "--piece", "strap", "--class", "3", exit_code=2).output


def test_a_plan_holds_longer_for_a_pack_that_a_coupon_found_slow(bench: Bench, tmp_path: Path) -> None:
    sheet = tmp_path / "wish.toml"
    sheet.write_text(SHEET + "[plan]\nmean_carbon_wt_pct = 0.6\n", encoding="utf-8")

    def planned() -> dict[str, object]:
        words = ["plan", str(sheet), "--json", "--record", str(bench.record)]
        result = CliRunner().invoke(main, words)
        assert result.exit_code == 0, result.output
        found = json.loads(result.stdout)
        assert isinstance(found, dict)
        return found

    by_the_book = planned()
    bench("weight", "last", "--before", "28.31 g", "--after", "28.40 g", "--area", "29 cm2", *MILD)
    corrected = planned()
    assert by_the_book["correction"] is None
    assert corrected["correction"]["evidence"] == ["gained 0.09 g (run 2023-11-14-a)"]  # type: ignore[index]
    quickest = {}
    for name, found in (("book", by_the_book), ("corrected", corrected)):
        # The temperatures proposed may differ: of programs as hot, the slower pack takes longer.
        quickest[name] = max(found["programs"], key=lambda one: one["hold_C"])  # type: ignore[index, call-overload]
    assert quickest["corrected"]["hold_C"] == pytest.approx(quickest["book"]["hold_C"], abs=1.0)
    assert quickest["corrected"]["in_pack_h"] > 1.1 * quickest["book"]["in_pack_h"]
