"""The check of an oven file: opens, asks, times, watches for a while, tries neighbours. Only reads, gently paced.

It gathers the evidence of `logger.diagnosis.failures` over the very readers a watch uses, and hands it to the judges.
"""

import os
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import isfinite, nan

from logger.clock import Clock
from logger.controllers.controller import RawReading
from logger.controllers.line import LineCounts, SerialLine
from logger.controllers.link import Connected, PolledController, connect_port
from logger.controllers.link_faults import BadAnswer, LinkFault, NoAnswer, PortMissing, PortTaken, Refused
from logger.controllers.modbus import ModbusController, RegisterReader
from logger.controllers.port_names import holders, present_ports
from logger.controllers.settings import (
    ChannelSettings,
    ControllerSettings,
    PortSettings,
    Quantity,
    RegisterAddress,
    RegisterSource,
)
from logger.controllers.text_line import TextController
from logger.diagnosis.failures import (
    ChannelEvidence,
    CheckReport,
    ControllerEvidence,
    Diagnosis,
    Interruption,
    Neighbour,
    NotJudged,
    PaceTrial,
    PlaceEvidence,
    PortEvidence,
    Sample,
    Stretch,
    Tally,
    Trial,
    in_order,
)
from logger.diagnosis.link import judge_controller, judge_port
from logger.diagnosis.not_judged import not_judged
from logger.diagnosis.over_time import judge_interruptions, judge_stretch
from logger.diagnosis.value import judge_channel, judge_place
from logger.errors import OutsideFault
from logger.oven_file import OvenSettings
from logger.polling import LinkEvent, LinkState, Poller, PollResult
from logger.reading import Quality
from logger.settings_search import (
    ALL_UNITS,
    USUAL_UNITS,
    refused_channel,
    try_lines,
    try_paces,
    try_registers,
    try_units,
    wait_until_ready,
)

QUESTIONS = 10
LISTEN_S = 0.5
NEIGHBOURS = range(-4, 5)
STILL_LOOKS, STILL_LOOK_S = 10, 1.0
"""A register that stands still is compared with its neighbours this often, so far apart [s]."""
CLOCK_JUMP_S = 2.0
CLOCK_SET_UTC_S = 1_735_689_600.0
"""2025-01-01: a clock before this is not set."""
ROOM_TOLERANCE_K = 8.0
"""A cold oven and a thermometer in the room may differ by this much [K] (our choice)."""

Tell = Callable[[str, float], None]
"""Called with what is being done and how far that is, 0 to 1 (NaN: not known)."""


@dataclass(frozen=True, slots=True)
class CheckOrders:
    """What a check is to do.

    ``room_K`` is what a thermometer in the room says, ``shown_K`` what the controller's display says of
    ``shown_channel`` (empty: the first temperature channel); NaN where not known [K]. ``watch_s`` is how long to
    watch after the first answers [s of the oven's clock]. ``thorough`` tries every unit address.
    """

    room_K: float = nan
    shown_K: float = nan
    shown_channel: str = ""
    watch_s: float = 20.0
    thorough: bool = False


@dataclass
class _Findings:
    ports: list[PortEvidence] = field(default_factory=list)
    controllers: list[ControllerEvidence] = field(default_factory=list)
    channels: list[ChannelEvidence] = field(default_factory=list)
    answering: list[PortSettings] = field(default_factory=list)


def check_oven(
    oven: OvenSettings,
    orders: CheckOrders,
    clock: Clock,
    tell: Tell = lambda what, fraction: None,
    stop: threading.Event | None = None,
    connect: Callable[[PortSettings, Clock], Connected] = connect_port,
) -> CheckReport:
    """Check everything between this computer and an oven's first true reading.

    Stopped early it reports what it has found by then. Nothing is written to any controller, or into the record.
    """
    check = _Check(oven, orders, clock, tell, stop or threading.Event(), connect)
    for port in oven.ports:
        check.port(port)
    check.watch()
    return check.report()


class _Check:
    """One check under way."""

    def __init__(
        self,
        oven: OvenSettings,
        orders: CheckOrders,
        clock: Clock,
        tell: Tell,
        stop: threading.Event,
        connect: Callable[[PortSettings, Clock], Connected],
    ) -> None:
        self.oven, self.orders, self.clock, self.tell, self.stop, self.connect = (
            oven,
            orders,
            clock,
            tell,
            stop,
            connect,
        )
        self.found = _Findings()
        self.stretches: list[Stretch] = []
        self.interruptions: list[Interruption] = []

    # -- port by port

    def port(self, port: PortSettings) -> None:
        if self.stop.is_set():
            return
        self.tell(f"opening {port.name}", nan)
        connected = self.connect(port, self.clock)
        began_s = time.monotonic()
        evidence = PortEvidence(port.name, port.framing)
        try:
            connected.link.open()
        except OutsideFault as fault:
            self.found.ports.append(_not_opened(evidence, fault))
            return
        evidence = replace(evidence, opening_s=time.monotonic() - began_s)
        try:
            self.found.ports.append(replace(evidence, unasked=self._unasked(port, connected)))
            answers = [
                self._controller(port, connected, settings, controller)
                for settings, controller in zip(port.controllers, connected.controllers, strict=True)
                if not self.stop.is_set()
            ]
        finally:
            connected.link.close()
        if any(answers):
            self.found.answering.append(port)

    def _unasked(self, port: PortSettings, connected: Connected) -> bytes:
        talks = any(each.text is not None and not each.text.query for each in port.controllers)
        if not isinstance(connected.link, SerialLine) or talks:
            return b""
        self.tell("listening", nan)
        with suppress(LinkFault):
            return connected.link.listen_s(LISTEN_S)
        return b""

    def _controller(
        self, port: PortSettings, connected: Connected, settings: ControllerSettings, controller: PolledController
    ) -> bool:
        tally, readings = self._ask(connected, settings, controller)
        seen = ControllerEvidence(settings.name, port.framing, tally, settings.gap_s)
        if not tally.lost and not self.stop.is_set():
            try:
                seen = self._neighbours(port, connected, settings, seen)
            except LinkFault as fault:
                seen = replace(seen, tally=replace(tally, lost=str(fault)))
        self.found.controllers.append(seen)
        if readings:
            self._channels(connected, settings, readings)
        return bool(readings)

    def _ask(
        self, connected: Connected, settings: ControllerSettings, controller: PolledController
    ) -> tuple[Tally, list[list[RawReading]]]:
        counts = connected.link.counts if isinstance(connected.link, SerialLine) else LineCounts()
        before = replace(counts)
        readings: list[list[RawReading]] = []
        answer_s: list[float] = []
        refused: list[int] = []
        damaged: list[str] = []
        heard, lost, silent, asked = b"", "", 0, 0
        while asked < QUESTIONS and wait_until_ready(controller, self.stop):
            asked += 1
            self.tell(f"asking {settings.name}", asked / QUESTIONS)
            began_s = time.monotonic()
            try:
                readings.append(controller.read())
                answer_s.append(time.monotonic() - began_s)
            except NoAnswer:
                silent += 1
            except Refused as refusal:
                refused.append(refusal.code)
            except BadAnswer as bad:
                damaged.append(bad.why)
                heard = bad.heard or heard
            except LinkFault as fault:
                lost = str(fault)
                break
            if asked == 3 and not readings and not refused:
                break  # nobody there: ten times nothing says no more than three times
        return (
            Tally(
                asked,
                tuple(answer_s),
                silent,
                tuple(refused),
                tuple(damaged),
                lost,
                heard=heard,
                **{
                    name: getattr(counts, name) - getattr(before, name)
                    for name in ("echoes", "stray_bytes", "left_over", "foreign_units", "double_answers")
                },
            ),
            readings,
        )

    def _neighbours(
        self, port: PortSettings, connected: Connected, settings: ControllerSettings, seen: ControllerEvidence
    ) -> ControllerEvidence:
        """Try what is near to settings that do not work."""
        tally, registers = seen.tally, connected.registers
        if tally.refused and registers is not None:
            channel = refused_channel(registers, settings, self.stop)
            if channel is None:
                return seen
            trials = try_registers(registers, settings, channel, self.stop, self._trying(settings.name))
            return replace(seen, register_trials=trials)
        if not tally.answered and not tally.refused:
            return self._search(port, connected, settings, seen)
        if tally.silent and isinstance(connected.link, SerialLine):
            return replace(seen, pace_trials=self._paces(connected, connected.link, settings))
        return seen

    def _search(
        self, port: PortSettings, connected: Connected, settings: ControllerSettings, seen: ControllerEvidence
    ) -> ControllerEvidence:
        lines: tuple[Trial, ...] = ()
        units: tuple[Trial, ...] = ()
        foreign_only = bool(seen.tally.damaged) and set(seen.tally.damaged) <= {"foreign", "double"}
        if isinstance(connected.link, SerialLine) and not foreign_only:
            connected.link.close()
            lines = try_lines(port, settings, self.clock, self.stop, self._trying(settings.name), self.connect)
            with suppress(OutsideFault):
                connected.link.open()
        silent = not seen.tally.damaged and not any(trial.is_understood for trial in lines)
        if silent and connected.registers is not None and connected.link.is_open and not self.stop.is_set():
            wanted = ALL_UNITS if self.orders.thorough else USUAL_UNITS
            units = try_units(connected.registers, settings, wanted, self.stop, self._trying(settings.name))
        return replace(seen, line_trials=lines, unit_trials=units)

    def _paces(self, connected: Connected, line: SerialLine, settings: ControllerSettings) -> tuple[PaceTrial, ...]:
        def build(slower: ControllerSettings) -> PolledController:
            if connected.registers is not None:
                return ModbusController(slower, connected.registers)
            return TextController(slower, line)

        return try_paces(build, settings, self.stop, progress=self._trying(settings.name))

    def _trying(self, name: str) -> Callable[[int, int, str], None]:
        return lambda done, of, what: self.tell(f"{name}: trying {what}", done / of)

    # -- the values

    def _channels(
        self, connected: Connected, settings: ControllerSettings, readings: Sequence[Sequence[RawReading]]
    ) -> None:
        for at, channel in enumerate(settings.channels):
            if channel.quantity is not Quantity.TEMPERATURE or self.stop.is_set():
                continue
            expected_K, tolerance_K, is_room = self._expected(channel)
            seen = ChannelEvidence(
                channel,
                readings[-1][at],
                words_of(readings[-1][at].raw),
                tuple(answer[at].raw for answer in readings),
                expected_K,
                tolerance_K,
                is_room,
            )
            if self._is_wanting(seen) and connected.registers is not None:
                with suppress(LinkFault):
                    seen = replace(seen, neighbours=self._beside(connected.registers, settings, channel, 1))
            self.found.channels.append(seen)

    def _expected(self, channel: ChannelSettings) -> tuple[float, float, bool]:
        """What a channel should say, how closely, and whether it is the room that says so."""
        orders = self.orders
        named = orders.shown_channel or self.oven.temperature_channels[0]
        if isfinite(orders.shown_K) and channel.name == named:
            return orders.shown_K, max(2.0, 0.004 * abs(orders.shown_K - 273.15)), False
        return orders.room_K, ROOM_TOLERANCE_K, True

    def _is_wanting(self, seen: ChannelEvidence) -> bool:
        if seen.reading.quality is not Quality.GOOD:
            return True
        return isfinite(seen.expected_K) and abs(seen.reading.temperature_K - seen.expected_K) > seen.tolerance_K

    def _beside(
        self, registers: RegisterReader, settings: ControllerSettings, channel: ChannelSettings, looks: int
    ) -> tuple[Neighbour, ...]:
        """The contents of the registers around a channel's, each read alone, once or several times."""
        source = channel.source
        if not isinstance(source, RegisterSource) or source.register.function_code not in (3, 4):
            return ()
        exact = replace(settings, exact_reads=True)
        first, size = source.register.address, source.number.register_count
        places = [first + step for step in NEIGHBOURS if step not in range(size) and 0 <= first + step <= 65535]
        contents: dict[int, list[int]] = {}
        for look in range(looks):
            if look and self.stop.wait(STILL_LOOK_S / self.clock.speed):
                break
            for place in places if not look else list(contents):
                self.tell(f"looking at register {place}", look / looks)
                with suppress(Refused, NoAnswer, BadAnswer):
                    (word,) = registers.read(exact, source.register.function_code, place, 1)
                    contents.setdefault(place, []).append(word)
        return tuple(
            Neighbour(RegisterAddress(source.register.function_code, place), tuple(words))
            for place, words in contents.items()
        )

    # -- for a while

    def watch(self) -> None:
        """Poll what answered for a while, as a watch does, and keep what happens."""
        if not self.found.answering or self.orders.watch_s <= 0.0 or self.stop.is_set():
            return
        collected = _Collected()
        began_s = self.clock.monotonic_s()
        pollers = [Poller(port, self.clock, collected, self.connect) for port in self.found.answering]
        for poller in pollers:
            poller.start()
        try:
            while (passed_s := self.clock.monotonic_s() - began_s) < self.orders.watch_s:
                self.tell(collected.latest(), passed_s / self.orders.watch_s)
                if self.stop.wait(0.1):
                    break
        finally:
            for poller in pollers:
                poller.stop()
            for poller in pollers:
                poller.join(10.0)
        self.stretches = self._stretches(collected)
        self.interruptions = _interruptions(collected, self.clock.speed)
        self._look_beside_still_ones(collected)

    def _stretches(self, collected: "_Collected") -> list[Stretch]:
        samples = collected.samples()
        temperatures = [name for name in self.oven.temperature_channels if name in samples]
        found = []
        for name in temperatures:
            second = next((other for other in temperatures if other != name), "")
            thermocouple = self.oven.thermocouples.get(name)
            found.append(
                Stretch(
                    channel=name,
                    samples=tuple(samples[name]),
                    suspicions=frozenset(collected.suspicions.get(name, set())),
                    second_channel=second,
                    second=tuple(samples[second]) if second else (),
                    thermocouple=thermocouple.type.value if thermocouple else "K",
                    room_K=self.orders.room_K,
                    interval_s=self.oven.poll_interval_s(name),
                )
            )
        return found

    def _look_beside_still_ones(self, collected: "_Collected") -> None:
        """A channel that never moved while it was watched is compared with the registers beside it."""
        for at, seen in enumerate(self.found.channels):
            said = collected.contents(seen.channel.name)
            source = seen.channel.source
            if len(said) < 8 or len(set(said)) > 1 or self.stop.is_set() or not isinstance(source, RegisterSource):
                continue
            port, settings = self._place_of(seen.channel.name)
            connected = self.connect(port, self.clock)
            with suppress(OutsideFault):
                connected.link.open()
                assert connected.registers is not None
                beside = self._beside(connected.registers, settings, seen.channel, STILL_LOOKS)
                self.found.channels[at] = replace(seen, contents=tuple(said), neighbours=beside)
            connected.link.close()

    def _place_of(self, channel: str) -> tuple[PortSettings, ControllerSettings]:
        return next(
            (port, controller)
            for port in self.oven.ports
            for controller in port.controllers
            if any(each.name == channel for each in controller.channels)
        )

    # -- the end

    def report(self) -> CheckReport:
        found, place = self.found, place_of_record(self.oven)
        units = self.oven.display
        diagnoses: list[Diagnosis] = []
        for port in found.ports:
            diagnoses.extend(judge_port(port))
        for controller in found.controllers:
            diagnoses.extend(judge_controller(controller))
        for channel in found.channels:
            diagnoses.extend(judge_channel(channel, units))
        known = {(each.failure, each.where) for each in diagnoses}
        for stretch in self.stretches:
            over_time = judge_stretch(stretch, units)
            diagnoses.extend(each for each in over_time if (each.failure, each.where) not in known)
        unjudged: list[NotJudged] = []
        for stretch in self.stretches:
            unjudged.extend(not_judged(stretch, {each.failure for each in diagnoses if each.where == stretch.channel}))
        diagnoses.extend(judge_interruptions(self.interruptions, self.stretches))
        diagnoses.extend(judge_place(place))
        return CheckReport(
            self.oven.name,
            tuple(found.ports),
            tuple(found.controllers),
            tuple(found.channels),
            tuple(self.stretches),
            tuple(self.interruptions),
            place,
            in_order(diagnoses),
            was_stopped=self.stop.is_set(),
            not_judged=tuple(unjudged),
        )


class _Collected:
    """A poller's sink that keeps what comes, for several pollers at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.results: list[PollResult] = []
        self.events: list[LinkEvent] = []
        self.suspicions: dict[str, set[str]] = {}

    def __call__(self, brought: PollResult | LinkEvent) -> None:
        with self._lock:
            if isinstance(brought, LinkEvent):
                self.events.append(brought)
                return
            self.results.append(brought)
            for channel, suspicion in brought.suspicions:
                self.suspicions.setdefault(channel, set()).add(suspicion.value)

    def latest(self) -> str:
        """What was read last, for the progress line."""
        with self._lock:
            last = self.results[-1] if self.results else None
        if last is None:
            return "watching"
        said = ", ".join(f"{each.channel} {each.raw or each.quality}" for each in last.readings)
        return f"watching: {said[:60]}"

    def samples(self) -> dict[str, list[Sample]]:
        """The temperature readings of every channel in time order, with the controller's output beside them."""
        found: dict[str, list[Sample]] = {}
        for result in self.results:
            outputs = [each.value for each in result.readings if each.quantity is Quantity.OUTPUT]
            output = outputs[0] if outputs else nan
            for reading in result.readings:
                if reading.quantity is Quantity.TEMPERATURE:
                    sample = Sample(result.monotonic_s, reading.temperature_K, reading.quality, output)
                    found.setdefault(reading.channel, []).append(sample)
        return found

    def contents(self, channel: str) -> list[str]:
        """What was read of a channel, whenever it answered."""
        return [
            reading.raw
            for result in self.results
            if result.fault is None
            for reading in result.readings
            if reading.channel == channel
        ]


def _interruptions(collected: _Collected, speed: float) -> list[Interruption]:
    kinds = {LinkState.LOST: "lost", LinkState.RESTORED: "restored", LinkState.PAUSED: "paused"}
    found = [
        Interruption(kinds[event.state], event.controller or event.port, event.monotonic_s, event.why)  # type: ignore[arg-type]
        for event in collected.events
        if event.state in kinds
    ]
    # the first answer of a port that was opened for the watch is no return
    lost = {each.where for each in found if each.kind == "lost"}
    found = [each for each in found if each.kind != "restored" or each.where in lost]
    ordered = sorted(collected.results, key=lambda result: result.monotonic_s)
    for before, after in pairwise(ordered):
        step_s = (after.utc_s - before.utc_s) - (after.monotonic_s - before.monotonic_s)
        if abs(step_s) > CLOCK_JUMP_S * speed:
            why = f"it moved {step_s:+.0f} s against the steady clock"
            found.append(Interruption("clock", after.port, after.monotonic_s, why))
    return found


def _not_opened(evidence: PortEvidence, fault: OutsideFault) -> PortEvidence:
    said = str(fault).removeprefix(f"{evidence.port}: ").split("; ")[0]  # the advice after it is the diagnosis's own
    if isinstance(fault, PortMissing):
        there = tuple(port.stable_name for port in present_ports())
        return replace(evidence, fault="missing", said=said, other_ports=there)
    if isinstance(fault, PortTaken):
        return replace(evidence, fault="taken", said=said, holders=tuple(holders(evidence.port)))
    return replace(evidence, fault="lost", said=said)


def words_of(raw: str) -> tuple[int, ...]:
    """The registers' contents in what a reading kept of them; empty when it is no such thing."""
    parts = raw.split(" with ")[0].split()
    return tuple(int(part) for part in parts) if parts and all(part.isdigit() for part in parts) else ()


def place_of_record(oven: OvenSettings) -> PlaceEvidence:
    """Whether the record can be written where the oven file wants it, and whether this computer's clock is set."""
    folder, record = oven.record.parent, oven.record
    clock_is_set = time.time() >= CLOCK_SET_UTC_S
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
        free_bytes = float(shutil.disk_usage(folder).free)
    except OSError as error:
        return PlaceEvidence(str(record), False, nan, str(error.strerror or error), clock_is_set)
    if record.exists() and not os.access(record, os.W_OK):
        return PlaceEvidence(str(record), False, free_bytes, "it is there, but not yours to write", clock_is_set)
    return PlaceEvidence(str(record), True, free_bytes, "", clock_is_set)
