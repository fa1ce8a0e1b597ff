"""The piece ledger as a person uses it: entered, shown, undone, refused, from the command line."""

import json
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from logger.command import main
from logger.piece_ledger import Ledger
from logger.piece_plain import KINDS, kind_of, plain_step, step_from_plain
from logger.piece_steps import (
    Begin,
    Clad,
    Cut,
    DrawOut,
    Finding,
    Fold,
    Grind,
    HeatFor,
    HeatRun,
    HeatTyped,
    Measure,
    Part,
    Quench,
    Stack,
    Temper,
    TemperRun,
    Undo,
    Used,
)
from logger.sheet_parts import Bath, Correction, Shape, SurfaceKind

STRAP = ("new", "strap", "--thickness", "3 mm", "--carbon", "0.05 %", "--count", "4", "--wide", "50 mm")


class Bench:
    """A record and the commands typed at it."""

    def __init__(self, folder: Path) -> None:
        self.record = folder / "record.db"

    def __call__(self, *words: str, exit_code: int = 0) -> Result:
        result = CliRunner().invoke(main, ["piece", *words, "--record", str(self.record)])
        assert result.exit_code == exit_code, result.output
        return result

    def lines(self) -> int:
        """How many lines the ledger has."""
        if not self.record.exists():
            return 0
        connection = sqlite3.connect(self.record)
        try:
            return int(connection.execute("SELECT count(*) FROM piece_step").fetchone()[0])
        finally:
            connection.close()

    def object(self, name: str) -> dict[str, object]:
        """A piece as programs read it."""
        found = json.loads(self("show", name, "--json").stdout)
        assert isinstance(found, dict)
        return found


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


LEARNED = Correction("plain charcoal", "", (0.1, -0.5, 0.0, 0.0), ((1.0, 0.0, 0.0, 0.0),) * 4, ("weighed",), "x")

EVERY_STEP = [
    Begin(Shape.PLATE, 0.003, 0.05, 0.01, {"Mn": 0.1}, "door", "strap", 0.05, 0.2, 4),
    HeatRun("2026-01-02-a"),
    HeatTyped(HeatFor.CARBURIZE, 1200.0, 3600.0, SurfaceKind.PACK, "plain charcoal", 5.0, LEARNED),
    Grind(1e-4, 2e-4),
    Stack((Part("a", 1), Part("b", 2, True)), 2),
    Used(2, "core"),
    Clad("iron", 0.002, 0.03, None, {"Si": 0.1}, True, False),
    DrawOut(0.002, 0.04),
    Fold(3),
    Cut(2, True),
    Quench(1070.0, Bath.FAST_OIL),
    Temper(478.0, 3600.0, 2),
    TemperRun("2026-01-02-b"),
    Measure(Finding.HARDNESS, 61.0, 1e-3, 1.0, "file skates"),
    Undo(3),
]


def test_a_piece_in_inches_stays_in_inches(bench: Bench) -> None:
    bench("new", "strap", "--thickness", "1/8 in", "--carbon", "0.05 %")
    typed = ("--to", "carburize", "--at", "1700 F", "--for", "4 h", "--pack", "energised charcoal")
    said = bench("heat", "strap", *typed).output
    assert "Carbide network likely on slow cooling: above 0.76 % C to 0.016 in." in " ".join(said.split())
    assert " mm" not in said
    assert "0.125 in thick" in bench("list").output
    bare = bench("heat", "strap", "--to", "weld", "--at", "1150", "--for", "4 min", exit_code=2).output
    assert bare == '--at: found "1150", expected a temperature such as "1750 F"\n'
    assert "3.17 mm thick" in bench("list", "--length", "mm").output


def test_what_cannot_be_of_this_piece_is_refused_and_not_entered(bench: Bench) -> None:
    bench(*STRAP)
    deep = bench("measure", "strap", "--carbon", "0.5 %", "--depth", "9 mm", exit_code=2).output
    assert deep == "measured on strap, depth: found 9 mm, expected 0 to 3 mm\n"
    no_pack = bench("heat", "strap", "--to", "carburize", "--at", "950 C", "--for", "4 h", exit_code=2).output
    assert no_pack == (
        "--pack: found nothing, expected the recipe of the pack that a carburizing heat takes carbon from\n"
    )
    assert [step["kind"] for step in bench.object("strap")["steps"]] == ["new"]  # type: ignore[attr-defined, index]


@pytest.mark.parametrize("step", EVERY_STEP, ids=lambda step: type(step).__name__)
def test_every_step_comes_back_from_the_record_as_it_went_in(step: Begin) -> None:
    kept = json.loads(json.dumps(plain_step(step)))
    assert step_from_plain(kind_of(step), kept) == step


def test_there_is_an_example_of_every_step() -> None:
    assert {type(step) for step in EVERY_STEP} == set(KINDS.values())


def test_a_piece_is_begun_heated_ground_and_shown(bench: Bench, tmp_path: Path) -> None:
    bench(*STRAP)
    bench("heat", "strap", "--to", "carburize", "--at", "1742 F", "--for", "4 h", "--pack", "energised charcoal")
    shown = bench("grind", "strap", "--both", "0.2 mm", "--picture", str(tmp_path / "step.png")).output
    assert "4 alike, each 2.60 mm thick, 50 mm wide" in shown
    assert "carburize: 1742 F for 4 h, in energised charcoal (not logged)" in shown  # as it was typed
    assert "What to do next" in shown
    assert (tmp_path / "step.png").read_bytes().startswith(b"\x89PNG")
    in_inches = bench("show", "strap", "--length", "in", "--temperature", "C", "--picture", str(tmp_path / "all.png"))
    assert "0.102 in thick" in in_inches.output
    assert "950 C" in in_inches.output
    kept = bench.object("strap")
    assert [step["kind"] for step in kept["steps"]] == ["new", "heat", "grind"]  # type: ignore[attr-defined, index]
    assert kept["size_mm"] == pytest.approx(2.6)


def test_a_stack_uses_pieces_up_and_undoing_it_gives_them_back(bench: Bench) -> None:
    bench(*STRAP)
    bench("stack", "billet", "strap*2", "strap:turned")
    assert bench.object("strap")["count"] == 1
    refused = bench("stack", "more", "strap*2", exit_code=2)
    assert refused.output.strip() == "piece strap: found 2 wanted, 1 left, expected 1 or fewer"
    assert "expected undo step 1 of billet first" in bench("undo", "strap", exit_code=2).output
    bench("undo", "billet")
    assert bench.object("strap")["count"] == 4
    bench("stack", "billet", "strap*4")
    assert bench.object("strap")["count"] == 0
    assert "strap" in bench("list").output


def test_an_undone_step_is_crossed_out_and_the_next_goes_on_from_before_it(bench: Bench) -> None:
    bench(*STRAP)
    bench("grind", "strap", "--front", "0.5 mm")
    assert "[undone] grind: 0.50 mm off the front" in bench("undo", "strap").output
    bench("grind", "strap", "--front", "0.1 mm")
    assert bench.object("strap")["size_mm"] == pytest.approx(2.9)
    assert bench.lines() == 4


def test_how_long_until_it_is_even_is_asked_without_entering_anything(bench: Bench) -> None:
    bench(*STRAP)
    bench("clad", "strap", "--thickness", "1 mm", "--carbon", "0.6 %", "--steel", "other")
    before = bench.lines()
    found = json.loads(bench("even", "strap", "--at", "1100 C", "--for", "10 min", "--json").stdout)
    assert 1 < found["heats"][0] <= found["heats"][1]
    assert found["folds"][0] < found["heats"][0]
    assert "fold" in bench("even", "strap", "--at", "2000 F", "--for", "10 min").output
    assert bench.lines() == before


def test_two_ledgers_open_at_once_do_not_write_the_same_step(bench: Bench) -> None:
    bench(*STRAP)
    one, other = Ledger(bench.record), Ledger(bench.record)
    one.enter("strap", Grind(1e-4), utc_s=0.0)
    with pytest.raises(Exception, match="nobody else entering a step"):
        other.enter("strap", Grind(2e-4), utc_s=0.0)
    assert bench.lines() == 2


REFUSED = [
    (("grind", "strap", "--both", "1.5 mm"), "grind, in all: found 3 mm, expected 0 to 3 mm"),
    (("grind", "strap", "--front", "-1 mm"), "grind: found -1 mm, expected 0 to "),
    (("grind", "strap"), "grind: found nothing, expected a depth for the front, the back or both"),
    (("grind", "strap", "--front", "deep"), '--front or --back: found "deep", expected a length such as "0.25 in"'),
    (("grind", "strop", "--front", "1 mm"), "piece strop: found no such piece, expected one of strap"),
    (("heat", "strap"), "--run or --at: found neither, expected one of them"),
    (("heat", "strap", "--at", "1100 C"), "--for: found nothing, expected a time"),
    (("heat", "strap", "--at", "1100", "--for", "10 min"), '--at: found "1100", expected a temperature'),
    (("heat", "strap", "--at", "2200 C", "--for", "10 min"), "temperature: found 2200 C, expected 300 to"),
    (("heat", "strap", "--run", "last"), "no runs yet"),
    (("heat", "strap", "--at", "950 C", "--for", "1 h", "--pack", "moon dust"), "pack recipe: found 'moon dust'"),
    (("stack", "strap", "strap", "strap"), "piece strap: found a piece of that name already"),
    (("stack", "b", "strap", "wide"), "stack, width of wide: found 60 mm, expected 49 to 51 mm (to lie on strap: cut"),
    (("stack", "b", "strap"), "stack: found 1 piece, expected at least two"),
    (("stack", "b", "strap*x", "strap"), 'found "*x", expected how many of it'),
    (("stack", "b", "strap:sideways", "strap"), 'found ":sideways", expected ":turned"'),
    (("stack", "../b", "strap", "strap"), 'name: found "../b", expected letters and digits'),
    (("clad", "strap", "--thickness", "0 mm", "--carbon", "0.1"), "thickness of the jacket: found 0 mm"),
    (("clad", "strap", "--thickness", "1 mm", "--carbon", "9 %"), "carbon: found 9 %, expected 0 to 2 %"),
    (("draw-out", "strap"), "--to or --ratio: found neither, expected one of them"),
    (("draw-out", "strap", "--ratio", "0"), "--ratio: found 0, expected 0.5 (upset to twice its size) to 50"),
    (("draw-out", "strap", "--to", "9 mm"), "draw out: found 9 mm, expected 0.05 to 6 mm (forged thinner, or upset"),
    (("grind", "strap", "--both", "1 in"), "grind, in all: found 2 in, expected 0 to 0.1181 in (the piece's thickness"),
    (("heat", "strap", "--at", "3600 F", "--for", "10 min"), "temperature: found 3600 F, expected 572 to"),
    (("quench", "strap", "--from", "1200 F", "--in", "brine"), "quench, temperature: found 1200 F, expected 13"),
    (("quench", "strap", "--from", "600 C", "--in", "brine"), "quench, temperature: found 600 C, expected"),
    (("temper", "strap", "--at", "200 C", "--for", "1 h"), "temper strap: found a piece that is soft"),
    (("measure", "strap"), "--hardness, --carbon or --mean-carbon: found 0 of them, expected one"),
    (("measure", "strap", "--hardness", "90"), "hardness: found 90 HRC, expected 0 to 70 HRC"),
    (("undo", "strap", "--step", "7"), "undo in strap: found no step 7, expected the last standing step, 1"),
    (("new", "bar", "--carbon", "0.1"), "--thickness or --diameter: found neither, expected one of them"),
    (("new", "bar", "--diameter", "9 mm", "--carbon", "0.1", "--alloy", "Mn:1"), '--alloy: found "Mn:1"'),
    (("new", "bar", "--diameter", "9 mm", "--carbon", "0.1", "--alloy", "Zz=1"), "alloy: found Zz, expected one of"),
    (("new", "strap", "--thickness", "9 mm", "--carbon", "0.1"), "piece strap: found a piece of that name already"),
]


@pytest.mark.parametrize(
    ("words", "said"), REFUSED, ids=lambda value: " ".join(value) if isinstance(value, tuple) else ""
)
def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_entered(
    tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    bench = Bench(tmp_path)
    bench(*STRAP)
    bench("new", "wide", "--thickness", "3 mm", "--carbon", "0.05 %", "--wide", "60 mm")
    before = bench.lines()
    refused = bench(*words, exit_code=2)
    assert said in refused.output
    assert len(refused.output.strip().splitlines()) == 1
    assert bench.lines() == before


def test_a_record_that_is_no_record_is_refused(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.record.write_text("not a database, and long enough to be looked at")
    assert "a file that is not a database" in bench(*STRAP, exit_code=2).output
