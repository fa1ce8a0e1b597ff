"""`python -m sim`: a simulated oven on a port, until it is interrupted."""

import argparse
import logging
import math
import signal
import sys
import threading
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, get_args

import numpy as np

from sim.bus import Bus, Link
from sim.canister import random_canister
from sim.controller import Tuning
from sim.errors import BadInput, SimError
from sim.faults import AMOUNTS, KINDS, Fault, FaultPlan, plan_from_tables, plan_from_text, random_plan
from sim.heat import Heat
from sim.line_device import DEFAULT_ANSWER, LineStyle
from sim.modbus_server import Station
from sim.program import Program, program_from_table
from sim.registers import built_in_table, random_map
from sim.scenario import SCENARIOS, scenario
from sim.truth_file import write_truth
from sim.wire import WireFormat


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m sim",
        description="A simulated oven whose controller answers on a serial port (pseudo-terminal) or on loopback TCP. "
        'Prints "ready PORT" when it listens; stops on Ctrl-C.',
    )
    parser.add_argument("--link", choices=get_args(Link), default="pty", help="pty: a serial port; tcp: loopback")
    parser.add_argument("--wire", choices=get_args(WireFormat), help="what is spoken (default: rtu on pty, tcp on tcp)")
    parser.add_argument(
        "--tcp-port", type=int, default=0, metavar="N", help="port of the tcp link (default: a free one)"
    )
    parser.add_argument(
        "--unit",
        type=int,
        action="append",
        metavar="N",
        help="unit address, 1 to 247 (default 1); given again, one more controller with its own oven on the same bus",
    )
    parser.add_argument("--speed", type=float, default=1.0, metavar="N", help="oven time runs N times faster")
    parser.add_argument("--heat", choices=list(SCENARIOS), default="plane-iron", help="built-in heat")
    parser.add_argument(
        "--program", type=Path, metavar="FILE.toml", help="own program: [[segment]] tables, [[fault]] too"
    )
    parser.add_argument("--canister", choices=("heat", "random"), default="heat", help="random: drawn by --seed")
    parser.add_argument("--second-sensor", action="store_true", help="a thermocouple inside the canister as well")
    parser.add_argument("--display-unit", choices=("C", "F"), default="C")
    parser.add_argument("--decimals", type=int, choices=(0, 1, 2), default=1, help="of the display")
    parser.add_argument(
        "--cycle", type=float, default=0.0, metavar="S", help="relay cycle in oven seconds (0: stepless)"
    )
    parser.add_argument("--noise", type=float, default=0.25, metavar="K", help="noise of the thermocouple, 1 sigma")
    parser.add_argument("--break-code", type=int, default=32767, metavar="N", help="raw code of a broken sensor")
    parser.add_argument(
        "--registers", choices=("built-in", "random"), default="built-in", help="random: drawn by --seed"
    )
    parser.add_argument("--baud", type=int, metavar="N", help="speed of the line; other speeds are not understood")
    parser.add_argument("--paced", action="store_true", help="as slow as a line of that speed")
    parser.add_argument(
        "--faults", default="", metavar="LIST", help='like "late@600-1200,p=0.2; dropout@0-,p=0.01", or "random"'
    )
    parser.add_argument("--list-faults", action="store_true", help="name all faults and what their amount means")
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="of noise, faults, random canister and registers"
    )
    parser.add_argument("--truth", type=Path, metavar="FILE.csv", help="write what the steel really saw")
    parser.add_argument("--tap", type=Path, metavar="FILE.csv", help="write every frame on the wire")
    parser.add_argument(
        "--stable-name", type=Path, metavar="PATH", help="a link that always points to the present port"
    )
    parser.add_argument("--stop-after", type=float, metavar="H", help="end by itself after H oven hours")
    parser.add_argument("--ask", default="TEMP?", metavar="TEXT", help="what a text device answers to")
    parser.add_argument("--answer", default=DEFAULT_ANSWER, metavar="FORMAT", help="line of a text device")
    parser.add_argument(
        "--chatter", action="store_true", help="a text device that talks every second without being asked"
    )
    return parser


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise BadInput(str(path), error.strerror, "a file that can be read") from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(str(path), str(error), "TOML") from error


def _program_and_faults(options: argparse.Namespace, rng: np.random.Generator) -> tuple[Program, FaultPlan]:
    built_in = scenario(options.heat)
    program, faults = built_in.program, list[Fault]()
    if options.program is not None:
        table = _read_toml(options.program)
        program = program_from_table(table, str(options.program))
        faults.extend(plan_from_tables(table.get("fault", []), str(options.program)).faults)
    if options.faults.strip() == "random":
        faults.extend(random_plan(rng, built_in.duration_s).faults)
    else:
        faults.extend(plan_from_text(options.faults).faults)
    return program, FaultPlan(tuple(faults))


def _stations(options: argparse.Namespace, program: Program, plan: FaultPlan) -> list[Station]:
    stations = []
    for number, address in enumerate(options.unit or [1]):
        rng = np.random.default_rng([options.seed, 1, number])
        table, unit, decimals = built_in_table(options.break_code), options.display_unit, options.decimals
        canister = scenario(options.heat).canister
        if options.canister == "random":
            canister = random_canister(rng)
        if options.registers == "random":
            drawn = random_map(rng)
            table, unit, decimals = drawn.table, drawn.unit, drawn.decimal_places
        heat = Heat(
            program,
            canister=canister,
            tuning=Tuning(unit=unit, decimal_places=decimals, cycle_s=options.cycle, noise_K=options.noise),
            faults=FaultPlan(tuple(fault for fault in plan.faults if fault.unit in (None, address))),
            seed=options.seed + number,
            second_sensor=options.second_sensor,
        )
        stations.append(Station(address, heat, table))
    return stations


def _run(options: argparse.Namespace) -> None:
    program, plan = _program_and_faults(options, np.random.default_rng([options.seed, 2]))
    stations = _stations(options, program, plan)
    if options.truth is not None:
        write_truth(options.truth, stations[0].heat)
    stop = threading.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda *_: stop.set())
    bus = Bus(
        stations,
        link=options.link,
        wire=options.wire,
        speed=options.speed,
        faults=plan,
        seed=options.seed,
        baud=options.baud,
        paced=options.paced,
        tcp_port=options.tcp_port,
        stable_name=options.stable_name,
        tap_file=options.tap,
        style=LineStyle("" if options.chatter else options.ask, options.answer),
    )
    end_s = math.inf if options.stop_after is None else options.stop_after * 3600.0
    try:
        with bus:
            sys.stdout.write(f"ready {bus.port}\n")
            sys.stdout.flush()
            while not stop.wait(0.2) and bus.is_running and bus.oven_s < end_s:
                pass
    finally:
        if options.truth is not None:
            write_truth(options.truth, stations[0].heat)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns 0, or 2 with one line on stderr for input that cannot be used."""
    options = _parser().parse_args(arguments)
    if options.list_faults:
        for kind in KINDS:
            meaning, default = AMOUNTS.get(kind, ("", math.nan))
            sys.stdout.write(f"{kind:16} {meaning and f'amount: {meaning}, {default:g} if not given'}\n")
        return 0
    logging.getLogger("pymodbus").addHandler(logging.NullHandler())
    try:
        _run(options)
    except SimError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
