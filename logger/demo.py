"""The demonstration: a simulated oven on a real port, the real daemon on the other end.

Everything here is invented: a plane-iron maker carburizes straps of salvaged wrought iron. The simulated oven is
another process; the two meet only on the port. Its hours are short, and so are the daemon's: the record says so.
"""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.alert import AlertEvent
from logger.board import Board
from logger.clock import FastClock
from logger.daemon import Orders, watch
from logger.errors import Fault, InputFault, OutsideFault
from logger.oven_file import read_oven
from logger.situation import Situation
from logger.units import InUnits

READY_WITHIN_S = 30.0
POLL_S = 10.0


@dataclass(frozen=True, slots=True)
class DemoHeat:
    """One heat that can be demonstrated: what the oven does, the run sheet, how long it takes [h]."""

    name: str
    says: str
    sheet: str
    duration_h: float


CARBURIZE_SHEET = """\
# Invented data: a plane-iron maker's run sheet for the simulated oven.
name = "{name}"

[piece]
shape = "plate"
thickness = "{thickness}"
carbon_wt_pct = 0.05
alloy_wt_pct = {{ Mn = 0.05, Si = 0.10 }}
iron_lot = "barn-door strap, invented"

[pack]
recipe = "{recipe}"

[canister]
sensor = "oven"
shape = "tube"
outer_mm = 60
wall_mm = 2
pack_kind = "charcoal"

[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.50

[[target]]
quantity = "soak time"
reach_h = 1.5
"""

TEMPER_SHEET = """\
# Invented data: a plane iron tempered twice in the simulated oven.
name = "Plane iron, tempered twice"

[piece]
shape = "plate"
thickness = "6 mm"
carbon_wt_pct = 0.85
alloy_wt_pct = { Mn = 0.35, Si = 0.15 }

[canister]
sensor = "inside"

[[stage]]
kind = "temper"

[[target]]
quantity = "hardness"
reach_HRC = 61
"""

HEATS = {
    "plane-iron": DemoHeat(
        "plane-iron",
        "four wrought-iron straps in energised charcoal at 925 C",
        CARBURIZE_SHEET.format(name="Plane-iron straps", thickness="6 mm", recipe="energised charcoal"),
        6.0,
    ),
    "too-hot": DemoHeat(
        "too-hot",
        "thin straps in graphite with bicarbonate, and a program typed wrong: 1225 C, where the skin melts",
        CARBURIZE_SHEET.format(name="Thin straps, too hot", thickness="3 mm", recipe="graphite with bicarbonate"),
        6.0,
    ),
    "temper": DemoHeat("temper", "a hardened plane iron, tempered twice at 205 C", TEMPER_SHEET, 5.0),
}

OVEN_NAME = "demo oven"

OVEN = """\
# Invented data: the simulated oven of the demonstration.
[oven]
name = "{oven}"
record = "record.db"

[clock]
speed = {speed:g}               # the simulated oven's hours are this much shorter

[[port]]
name = "{port}"
framing = "{framing}"
baud = 19200

[[port.controller]]
name = "controller"
unit_address = 1
poll_interval_s = {poll_s:g}
answer_deadline_s = 0.5

[[port.controller.channel]]
name = "oven"
register = 0
function = 3
number = "int16"
scale = 0.1
unit = "C"
break_codes = [32767]

[[port.controller.channel]]
name = "set point"
quantity = "set point"
register = 1
function = 3
number = "int16"
scale = 0.1
unit = "C"

[[port.controller.channel]]
name = "output"
quantity = "output"
register = 2
function = 3
number = "uint16"
scale = 0.1
unit = "%"
"""

WEBHOOK = """
[[notify]]
kind = "webhook"
name = "demo webhook"
url = "{url}"
"""


@dataclass(frozen=True, slots=True)
class Demonstrated:
    """Where the demonstration left things: the folder, the record, the run's id, and the link that was used."""

    folder: Path
    record: Path
    run: str
    link: str


def demonstrate(
    folder: Path,
    heat: DemoHeat,
    speed: float,
    stop: threading.Event,
    *,
    webhook: str | None = None,
    show: Callable[[Situation], None] = lambda situation: None,
    say: Callable[[AlertEvent], None] = lambda event: None,
    tell: Callable[[str], None] = lambda words: None,
    seed: int = 1,
    tap: Path | None = None,
    board: Board | None = None,
    in_units: InUnits = lambda own: own,
) -> Demonstrated:
    """Run a heat in the simulated oven and watch it for real.

    Parameters
    ----------
    folder : where the oven file, the run sheet and the record go
    heat, speed : what is heated, and how much faster than real time
    stop : ends the demonstration early
    webhook : an address that is told of every alert as well
    show, say, tell : called with every situation, every alert event, and what a person should know
    seed : of the simulated noise
    tap : a file for every frame on the wire
    board : where the situation is pinned, for a page
    in_units : what it is shown and told in, from the units of the sheet

    Raises   OutsideFault    the simulated oven does not start
    """
    sheet_file, oven_file = folder / "sheet.toml", folder / "oven.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        sheet_file.write_text(heat.sheet, encoding="utf-8")
    except OSError as error:
        raise OutsideFault(
            f"{folder}: could not be written: {(error.strerror or 'no reason given').lower()}"
        ) from error
    options = ["--heat", heat.name, *(() if tap is None else ("--tap", str(tap)))]
    with simulated_oven(options, speed, seed, tell) as (link, port):
        framing = "rtu" if link == "pty" else "tcp"
        words = OVEN.format(oven=OVEN_NAME, speed=speed, port=port, framing=framing, poll_s=POLL_S)
        oven_file.write_text(words + (WEBHOOK.format(url=webhook) if webhook else ""), encoding="utf-8")
        oven = read_oven(oven_file)
        orders = Orders(until_s=heat.duration_h * 3600.0, show=show, say=say, in_units=in_units)
        run = watch(oven, sheet_file, FastClock(oven.clock_speed), orders, stop, board)
    return Demonstrated(folder, oven.record, run, link)


def fresh_folder(folder: Path) -> Path:
    """The folder if it is not there yet or empty, else its name with the first free number after it."""
    number, free = 1, folder
    while free.exists() and any(free.iterdir()):
        number += 1
        free = folder.with_name(f"{folder.name}-{number}")
    return free


@contextmanager
def simulated_oven(
    options: Sequence[str], speed: float, seed: int, tell: Callable[[str], None]
) -> Iterator[tuple[str, str]]:
    """The simulated oven as a process of its own: (link, port). Over loopback where there is no pseudo-terminal.

    Raises   OutsideFault    it does not start
    """
    for link in ("pty", "tcp"):
        words = [sys.executable, "-m", "sim", "--link", link, *options]
        words += ["--speed", f"{speed:g}", "--seed", str(seed)]
        process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            port = _ready(process)
            if port is None and link == "pty":
                tell("This system has no pseudo-terminal: the demonstration talks Modbus TCP over loopback instead.")
                continue
            if port is None:
                raise OutsideFault(f"the simulated oven did not start: {_last_words(process)}")
            yield link, port
            return
        finally:
            process.terminate()
            process.wait(10.0)
            for pipe in (process.stdout, process.stderr):
                if pipe is not None:
                    pipe.close()


def _ready(process: "subprocess.Popen[str]") -> str | None:
    """The port the simulated oven listens on, from its line "ready PORT"; None where it ended without one."""
    found: list[str] = []

    def look() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("ready "):
                found.append(line.split(maxsplit=1)[1].strip())
                return

    reader = threading.Thread(target=look, daemon=True)
    reader.start()
    reader.join(READY_WITHIN_S)
    return found[0] if found else None


def _last_words(process: "subprocess.Popen[str]") -> str:
    process.terminate()
    lines = (process.communicate()[1] or "").strip().splitlines()
    return lines[-1] if lines else "it said nothing"


def heat_named(name: str) -> DemoHeat:
    """The heat of this name.

    Raises   InputFault    there is none; lists the names
    """
    if name not in HEATS:
        raise InputFault(Fault("--heat", f'"{name}"', ", ".join(HEATS)))
    return HEATS[name]
