"""Tries the neighbours of settings that do not work: line settings, unit addresses, registers, pauses. Only reads.

One question per trial, a pause between them, and every trial can be the last: `stop` ends a search at once and what was
found so far is kept.
"""

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from math import nan

from logger.clock import Clock
from logger.controllers.link import Connected, PolledController, connect_port
from logger.controllers.link_faults import BadAnswer, LinkFault, NoAnswer, PortMissing, PortTaken, Refused
from logger.controllers.modbus import ModbusController, RegisterReader, blocks, readings
from logger.controllers.settings import (
    ChannelSettings,
    ControllerSettings,
    Framing,
    Parity,
    PortSettings,
    RegisterAddress,
    RegisterSource,
)
from logger.diagnosis.failures import Outcome, PaceTrial, Trial
from logger.errors import OutsideFault

Connect = Callable[[PortSettings, Clock], Connected]
Progress = Callable[[int, int, str], None]
"""Called with: trials done, trials in all, what is tried next."""

USUAL_BAUDS = (9600, 19200, 38400, 115200, 57600, 4800, 2400)
USUAL_PARITIES: tuple[Parity, ...] = ("none", "even", "odd")
"""Line settings controllers come with (common practice, no source), the commonest first."""

USUAL_UNITS = range(1, 17)
ALL_UNITS = range(1, 248)

TRIAL_DEADLINE_S = 0.3
"""How long one trial waits for an answer [s], or as long as the controller's own deadline (our choice)."""

BETWEEN_TRIALS_S = 0.05
"""The pause between two trials [s] (our choice)."""

PACES_S = (0.05, 0.1, 0.25, 0.5)
"""Pauses before each question that are tried where answers come only now and then [s]."""

PACE_QUESTIONS = 8


def neighbouring_lines(port: PortSettings) -> list[PortSettings]:
    """The other line settings worth trying on a serial port, the nearest first: parity, then baud, then both."""
    if port.framing not in (Framing.RTU, Framing.ASCII, Framing.TEXT) or "://" in port.name:
        return []
    parities = [parity for parity in USUAL_PARITIES if parity != port.parity]
    bauds = [baud for baud in USUAL_BAUDS if baud != port.baud]
    found = [replace(port, parity=parity) for parity in parities]
    found += [replace(port, baud=baud) for baud in bauds]
    found += [replace(port, baud=baud, parity=parity) for baud in bauds for parity in parities]
    if port.framing is Framing.ASCII:
        found.insert(0, replace(port, data_bits=15 - port.data_bits))
    return found


def line_change(port: PortSettings, other: PortSettings) -> tuple[tuple[str, str], ...]:
    """What differs between two line settings, as keys and values of the oven file."""
    change = []
    if other.baud != port.baud:
        change.append(("baud", str(other.baud)))
    if other.parity != port.parity:
        change.append(("parity", f'"{other.parity}"'))
    if other.data_bits != port.data_bits:
        change.append(("data_bits", str(other.data_bits)))
    return tuple(change)


def try_lines(
    port: PortSettings,
    controller: ControllerSettings,
    clock: Clock,
    stop: threading.Event,
    progress: Progress = lambda done, of, what: None,
    connect: Connect = connect_port,
) -> tuple[Trial, ...]:
    """Ask one question with each neighbouring line setting until somebody understands; the port must not be open."""
    asked = _hurried(controller)
    lines = neighbouring_lines(replace(port, controllers=(asked,)))
    trials: list[Trial] = []
    for done, line in enumerate(lines):
        change = line_change(port, line)
        progress(done, len(lines), ", ".join(f"{key} = {value}" for key, value in change))
        connected = connect(line, clock)
        try:
            connected.link.open()
            outcome = outcome_of(connected.controllers[0].read)
        except (PortMissing, PortTaken):
            break  # that is told elsewhere
        except OutsideFault:
            continue  # these very settings are beyond this port
        finally:
            connected.link.close()
        trials.append(Trial(change, outcome))
        if trials[-1].is_understood or stop.wait(BETWEEN_TRIALS_S):
            break
    return tuple(trials)


def try_units(
    registers: RegisterReader,
    controller: ControllerSettings,
    units: Iterable[int],
    stop: threading.Event,
    progress: Progress = lambda done, of, what: None,
) -> tuple[Trial, ...]:
    """Ask one question at each unit address until somebody understands."""
    register = first_source(controller).register
    tried = [unit for unit in units if unit != controller.unit_address]
    trials: list[Trial] = []
    for done, unit in enumerate(tried):
        progress(done, len(tried), f"unit_address = {unit}")
        other = replace(_hurried(controller), unit_address=unit)

        def ask(other: ControllerSettings = other) -> object:
            return registers.read(other, register.function_code, register.address, 1)

        trials.append(Trial((("unit_address", str(unit)),), outcome_of(ask)))
        if trials[-1].is_understood or stop.wait(BETWEEN_TRIALS_S):
            break
    return tuple(trials)


_OTHER_TABLE = {3: 4, 4: 3, 1: 2, 2: 1}


def neighbouring_registers(register: RegisterAddress) -> list[RegisterAddress]:
    """Where a register may be instead: one less, one more, and the same three places of the other table."""
    other = _OTHER_TABLE[register.function_code]
    places = [(register.function_code, -1), (register.function_code, 1), (other, 0), (other, -1), (other, 1)]
    return [
        RegisterAddress(code, register.address + step) for code, step in places if 0 <= register.address + step <= 65535
    ]


def try_registers(
    registers: RegisterReader,
    controller: ControllerSettings,
    channel: ChannelSettings,
    stop: threading.Event,
    progress: Progress = lambda done, of, what: None,
) -> tuple[Trial, ...]:
    """Ask for a channel at each neighbouring register and table, and read it as the channel is read."""
    source = channel.source
    assert isinstance(source, RegisterSource)
    exact = replace(controller, exact_reads=True)
    places = neighbouring_registers(source.register)
    trials: list[Trial] = []
    for done, place in enumerate(places):
        change = (("register", str(place.address)), ("function", str(place.function_code)), ("counted_from", "0"))
        progress(done, len(places), f"register {place.address} by function code {place.function_code}")
        moved = replace(channel, source=replace(source, register=place))
        found: list[float] = []

        def ask(moved: ChannelSettings = moved, found: list[float] = found) -> None:
            found.append(ModbusController(replace(exact, channels=(moved,)), registers).read()[0].temperature_K)

        outcome = outcome_of(ask)
        trials.append(Trial(change, outcome, found[0] if found else nan))
        if stop.wait(BETWEEN_TRIALS_S):
            break
    return tuple(trials)


def refused_channel(
    registers: RegisterReader, controller: ControllerSettings, stop: threading.Event
) -> ChannelSettings | None:
    """The first channel whose registers the controller refuses when they are asked for alone."""
    exact = replace(controller, exact_reads=True)
    for channel in controller.channels:
        if not isinstance(channel.source, RegisterSource) or stop.wait(BETWEEN_TRIALS_S):
            return None
        alone = replace(exact, channels=(channel,))
        if outcome_of(lambda alone=alone: read_alone(registers, alone)) is Outcome.REFUSED:  # type: ignore[misc]
            return channel
    return None


def read_alone(registers: RegisterReader, alone: ControllerSettings) -> object:
    """Ask for the registers of a controller's channels, whatever channel they may need beside them."""
    words = {}
    for block in blocks([each.source for each in alone.channels if isinstance(each.source, RegisterSource)]):
        answer = registers.read(alone, block.function_code, block.address, block.count)
        words.update({RegisterAddress(block.function_code, block.address + at): word for at, word in enumerate(answer)})
    return readings(alone, words)


def try_paces(
    build: Callable[[ControllerSettings], PolledController],
    controller: ControllerSettings,
    stop: threading.Event,
    paces_s: Sequence[float] = PACES_S,
    progress: Progress = lambda done, of, what: None,
) -> tuple[PaceTrial, ...]:
    """Ask several questions at each pause until all of them are answered."""
    trials: list[PaceTrial] = []
    wider = [gap_s for gap_s in paces_s if gap_s > controller.gap_s]
    for done, gap_s in enumerate(wider):
        progress(done, len(wider), f"gap_s = {gap_s:g}")
        asked = build(replace(controller, gap_s=gap_s))
        answered = 0
        for _ in range(PACE_QUESTIONS):
            if stop.wait(gap_s) or not wait_until_ready(asked, stop):
                return tuple(trials)
            answered += outcome_of(asked.read) is Outcome.ANSWERED
        trials.append(PaceTrial(gap_s, PACE_QUESTIONS, answered))
        if answered == PACE_QUESTIONS:
            break
    return tuple(trials)


def wait_until_ready(controller: PolledController, stop: threading.Event) -> bool:
    """Wait until a controller may be asked: True; False when `stop` was set first."""
    while not controller.ready():
        if stop.wait(0.02):
            return False
    return not stop.is_set()


def outcome_of(ask: Callable[[], object]) -> Outcome:
    """What one question came to.

    Raises   LinkFault    the link itself failed
    """
    try:
        ask()
    except Refused:
        return Outcome.REFUSED
    except NoAnswer:
        return Outcome.SILENT
    except BadAnswer:
        return Outcome.DAMAGED
    except LinkFault:
        raise
    return Outcome.ANSWERED


def first_source(controller: ControllerSettings) -> RegisterSource:
    """The first channel's register; the first holding register where a controller has none."""
    sources = [channel.source for channel in controller.channels if isinstance(channel.source, RegisterSource)]
    return sources[0] if sources else RegisterSource(RegisterAddress(3, 0))


def _hurried(controller: ControllerSettings) -> ControllerSettings:
    """The same controller, asked exactly and once, with no long wait."""
    deadline_s = max(TRIAL_DEADLINE_S, min(controller.answer_deadline_s, 1.0))
    return replace(controller, answer_deadline_s=deadline_s, slowest_answer_s=deadline_s, exact_reads=True, tries=1)
