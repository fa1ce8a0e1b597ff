"""One plane iron from wrought-iron strap to hardened edge, command by command. All data invented.

The suite runs the story (`test_story.py`); ``python -m tests.whole.story`` runs it and writes the walk-through in
`dashboards_demo/` with its pictures and what was printed.
"""

import csv
import shlex
import sys
import tempfile
from collections.abc import Iterator
from contextlib import chdir
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from click.testing import CliRunner

from logger.command import main
from logger.units import ZERO_CELSIUS_K
from sim.program import Off, Program, Ramp, Soak
from tests.whole.stepped import Night, night

WALK = Path(__file__).parents[2] / "dashboards_demo" / "walk-through"


def _program(to_C: float, hours: float) -> Program:
    hold_K = to_C + ZERO_CELSIUS_K
    return Program((Ramp(hold_K, 600.0 / 3600.0), Soak(3600.0 * hours), Off()))


@dataclass(frozen=True)
class Watched:
    """A heat watched in the simulated oven: its run sheet and its program, None as planned; how long [h]."""

    hours: float
    sheet: str | None = None
    program: Program | None = None


def planned(table: Path) -> Program:
    """The program a plan wrote as a table, for the simulated oven."""
    segments: list[Ramp | Soak | Off] = []
    with table.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["what"] == "ramp":
                segments.append(Ramp(float(row["to"]) + ZERO_CELSIUS_K, float(row["rate_per_h"]) / 3600.0))
            elif row["what"].startswith("hold"):
                segments.append(Soak(3600.0 * float(row["time_h"])))
    return Program((*segments, Off()))


STRAP_SHEET = """\
# Invented data.
name = "Strap for plane irons"
channel = "air"

[piece]
shape = "plate"
thickness = "2 mm"
carbon_wt_pct = 0.05
alloy_wt_pct = { Mn = 0.05, Si = 0.10 }
iron_lot = "barn-door strap, invented"

[pack]
recipe = "energised charcoal"

[canister]
sensor = "oven"
shape = "tube"
outer_mm = 60
wall_mm = 2
pack_kind = "charcoal"

[plan]
mean_carbon_wt_pct = 0.80
hottest_C = 960
longest_h = 10
diffuse = false
climb_C_per_h = 400
"""
TEMPER_SHEET = """\
# Invented data.
name = "Plane iron, tempered"
channel = "air"

[piece]
shape = "plate"
thickness = "4 mm"
carbon_wt_pct = 0.75
alloy_wt_pct = { Mn = 0.05, Si = 0.10 }

[canister]
sensor = "inside"

[[stage]]
kind = "temper"
"""
STRAP_HEAT, TEMPER_HEAT = Watched(9.0), Watched(4.0, TEMPER_SHEET, _program(200.0, 2.0))
NEXT_HEAT = Watched(3.0)


@dataclass(frozen=True)
class Told:
    """One step of the story: what happens, the command, which blocks of its output are worth printing, its picture.

    ``watch`` is a heat to be watched in the simulated oven before the command; ``shows`` must be in the output.
    """

    title: str
    words: str
    command: str
    blocks: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()
    picture: str = ""
    watch: Watched | None = None


STORY = (
    Told(
        "Plan",
        "Four straps of 2 mm shall come to 0.80 % carbon on average. How hot, how long? The sheet `strap.toml` says "
        "what is in the can and what is wished; the plan writes the program for the oven and the sheet for the watch.",
        "plan strap.toml --write-sheet heat.toml --table program.csv",
        blocks=("Strap for plane irons", "program", "Program 1"),
        shows=("mean carbon", "hold, in the pack"),
        picture="01-plan.png",
    ),
    Told(
        "Watch",
        "The straps lie in the can with a coupon, and `soaktally watch OVEN.toml --sheet heat.toml` looks after the "
        "(simulated) oven. Nine hours later:",
        "review last",
        blocks=("Strap for plane irons", "What is known", "Targets", "Warnings"),
        shows=("mean carbon",),
        picture="02-watch.png",
        watch=STRAP_HEAT,
    ),
    Told(
        "Weigh, and correct",
        "The coupon of 3 mm mild steel gained less than the book says it should have: this pack is slower than its "
        "recipe, and the next run with it will know.",
        'correct weight last --before "28.31 g" --after "28.45 g" --area "29 cm2" --thickness "3 mm" --carbon "0.10 %"',
        blocks=("Measured on coupons", "What they say", "The next run"),
        shows=("mass transfer", "The next run whose sheet names"),
        picture="03-correct.png",
    ),
    Told(
        "The straps in the ledger",
        "The ledger knows the straps before the heat ...",
        'piece new strap --thickness "2 mm" --carbon "0.05 %" --steel "carburized strap" --wide "50 mm" '
        '--long "160 mm" --count 4 --alloy Mn=0.05,Si=0.10 --lot "barn-door strap, invented"',
        shows=("4 alike, each 2.00 mm thick",),
    ),
    Told(
        "Their heat",
        "... and takes the recorded run as their heat, with its thermocouple and canister, and the pack as the coupon "
        "that lay beside them has corrected it.",
        "piece heat strap --run last --corrected",
        blocks=("strap:", "Carbon now", "What to do next"),
        shows=("corrected by coupons", "at mid-thickness"),
        picture="04-heat.png",
    ),
    Told(
        "Grind",
        "Scale and the roughest of the skin come off, a tenth of a millimetre each side.",
        'piece grind strap --both "0.1 mm"',
        blocks=("Carbon now",),
        shows=("each 1.80 mm thick",),
        picture="05-grind.png",
    ),
    Told(
        "Stack",
        "Two straps face to face become a billet; two are kept.",
        'piece stack iron "strap*2"',
        blocks=("Layers, front to back",),
        shows=("3.60 mm thick",),
        picture="06-stack.png",
    ),
    Told(
        "Weld",
        "A welding heat under flux: four minutes near 1150 C by eye, nobody logged it. Carbon begins to even out.",
        'piece heat iron --to weld --at "1150 C" --for "4 min"',
        blocks=("Carbon now", "What to do next"),
        shows=("highest less lowest",),
        picture="07-weld.png",
    ),
    Told(
        "When is it even?",
        "Asking costs nothing and enters nothing.",
        'piece even iron --at "1150 C" --for "4 min"',
        blocks=("iron:",),
        shows=("fold",),
    ),
    Told(
        "Draw out",
        "Thinner steel evens out faster: distances shrink with it.",
        'piece draw-out iron --to "2 mm"',
        shows=("2.00 mm thick",),
        picture="08-draw-out.png",
    ),
    Told(
        "Clad",
        "A back of plain wrought iron, as old plane irons have. The steel stays on the front face.",
        'piece clad iron --thickness "4 mm" --carbon "0.03 %" --steel "wrought-iron back" --on back',
        shows=("6.00 mm thick",),
        picture="09-clad.png",
    ),
    Told(
        "Weld the back on",
        "Three minutes more. What does the soft back take from the steel?",
        'piece heat iron --to weld --at "1120 C" --for "3 min"',
        blocks=("Layers, front to back", "An edge"),
        shows=("of its carbon", "At least 0.60 % C"),
        picture="10-weld-back.png",
    ),
    Told(
        "Normalize",
        "The welding heats have coarsened the grain.",
        'piece heat iron --to normalize --at "870 C" --for "5 min" --give-or-take "10 C"',
        blocks=("iron:", "What to do next"),
        shows=("normalized",),
        picture="11-normalize.png",
    ),
    Told(
        "Quench",
        "In brine, for iron without manganese hardens shallowly.",
        'piece quench iron --from "790 C" --in brine',
        blocks=("Hardness", "What to do next", "Hard steel that"),
        shows=("as quenched", "Temper at once"),
        picture="12-quench.png",
    ),
    Told(
        "Temper",
        "The temper is watched like any heat, and the ledger takes it from the record.",
        "piece temper iron --run last",
        blocks=("Hardness",),
        shows=("tempered",),
        picture="13-temper.png",
        watch=TEMPER_HEAT,
    ),
    Told(
        "Measure",
        "A hardness tester on the ground face of the steel, against what was reckoned; and the whole ledger.",
        'piece measure iron --hardness 61 --depth "0.3 mm" --note "five readings, invented"',
        blocks=("iron:", "step", "Measured against reckoned"),
        shows=("Measured against reckoned",),
    ),
    Told(
        "The whole of it",
        "Every step that moved carbon, one under the other.",
        "piece show iron",
        blocks=("An edge",),
        shows=("An edge",),
        picture="14-whole.png",
    ),
    Told(
        "The next heat",
        "The next can is in the oven, by the same sheet. Its numbers rest on what the coupon said; the heat before it "
        "stays as it was.",
        "review last",
        blocks=("Rests on",),
        shows=('Corrected for the pack "energised charcoal", learned from gained 0.14 g',),
        picture="15-next-heat.png",
        watch=NEXT_HEAT,
    ),
)


@dataclass(frozen=True)
class Lived:
    """A step after it was run: what was printed, and where its picture is."""

    told: Told
    output: str
    picture: Path | None


def lived(folder: Path) -> Iterator[Lived]:
    """Run the story in a folder, a step at a time."""
    with night(folder, poll_s=180.0) as oven:
        yield from _lived(oven, folder)


def _lived(oven: Night, folder: Path) -> Iterator[Lived]:
    (folder / "strap.toml").write_text(STRAP_SHEET, encoding="utf-8")
    for told in STORY:
        if told.watch is not None:
            _watched(oven, folder, told.watch)
        picture = folder / told.picture if told.picture else None
        words = shlex.split(told.command)
        if picture is not None:
            words += ["--picture", str(picture)]
        # The ledger's dates are the story's.
        with chdir(folder), patch("time.time", oven.clock.utc_s):
            result = CliRunner().invoke(main, words, catch_exceptions=False)
        if result.exit_code != 0:
            raise AssertionError(f"{told.command}: exit code {result.exit_code}: {result.output}")
        yield Lived(told, result.stdout, picture)


def _watched(oven: Night, folder: Path, heat: Watched) -> None:
    """Watch a heat to its end."""
    oven.sheet = heat.sheet or (folder / "heat.toml").read_text(encoding="utf-8")
    oven.burn(program=heat.program or planned(folder / "program.csv"))
    oven.pass_to(3600.0 * heat.hours)
    assert oven.ask("stop").done


def excerpt(step: Lived) -> str:
    """The blocks of its output that are worth printing."""
    blocks = [block for block in step.output.strip().split("\n\n") if block.startswith(step.told.blocks)]
    return "\n\n".join(blocks) if step.told.blocks else ""


HEAD = """\
# A plane iron, from strap to edge

One piece through everything soaktally keeps: the plan, the watched heat, a coupon, the ledger at the anvil, the quench
and the temper. All data is invented; the oven is the simulated one in `sim/`. `python -m tests.whole.story` writes this
page and its pictures; the same steps run in the test suite. What is printed is cut to what the step is about; each
picture comes from the same command with `--picture FILE.png`.

**Before you do any of this**: a charcoal pack gives off carbon monoxide, welding heats throw sparks and flux, quench
oil burns, and hard steel cracks before it is tempered. Local codes, the makers' data sheets and licensed practice come
first; the commands repeat the caution that belongs to each step. soaktally only reads and is no safety device.
"""


def write_walk_through() -> None:
    """Run the story and write the page with its pictures."""
    WALK.mkdir(exist_ok=True)
    parts = [HEAD]
    with tempfile.TemporaryDirectory() as name:
        for number, step in enumerate(lived(Path(name)), 1):
            shown = f"$ soaktally {step.told.command}"
            if said := excerpt(step):
                shown += f"\n\n{said.replace(name, '.')}"
            parts.append(f"## {number}. {step.told.title}\n\n{step.told.words}\n\n```\n{shown}\n```\n")
            if step.picture is not None:
                (WALK / step.picture.name).write_bytes(step.picture.read_bytes())
                parts.append(f"![{step.told.title}](walk-through/{step.picture.name})\n")
            sys.stdout.write(f"{number}. {step.told.title}\n")
    WALK.with_suffix(".md").write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    write_walk_through()
