"""An hour's worth of damaged frames: ``python -m tests.long.fuzz_frames [FRAMES [SEED]]``.

A device whose every answer is damaged at random (bytes at random, cut, repeated, merged with others, flipped, delayed
past its deadline) is asked over and over by the readers a watch uses, and what they take is judged as a watch judges
it. Nothing may crash, hang, or let one wrong temperature be good.

The serial line runs in supposed time: the module's clock is replaced by one that the port itself moves, so an hour of
frames takes minutes. `tests/whole/test_fuzz.py` runs a short form, and another over real pseudo-terminals and sockets.
"""

import math
import platform
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from logger.controllers import line as line_module
from logger.controllers import text_line as text_module
from logger.controllers.controller import RawReading
from logger.controllers.line import SerialLine
from logger.controllers.link import PolledController
from logger.controllers.link_faults import LinkFault
from logger.controllers.modbus import ModbusController
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.read_only_port import ReadOnlyPort
from logger.controllers.settings import (
    ChannelSettings,
    ControllerSettings,
    FieldSource,
    Framing,
    PortSettings,
    RegisterAddress,
    RegisterSource,
    TextSettings,
)
from logger.controllers.text_line import TextController
from logger.reading import Quality
from logger.reading_quality import Observation, QualityState, judge, no_reading
from tests.benchmarks.machine import processor
from tests.controllers.scripted_bus import crc

RESULTS = Path(__file__).parent / "results" / "fuzz_frames.md"

FRAMES_AN_HOUR = 111_600
"""What a line of 9600 baud carries at most: 31 questions and answers of four registers a second."""

POLL_S = 2.0

Sent = tuple[float, bytes]


@dataclass
class Device:
    """Two thermocouples in registers far apart, or in one line of text, on a slow heat; every answer is damaged."""

    framing: Framing
    rng: np.random.Generator
    damaged: float = 0.6
    asked: int = 0
    earlier: bytes = b""
    damages: Counter[str] = field(default_factory=Counter)

    @property
    def air_C(self) -> float:
        """What the air thermocouple is at: 25 to 925 C and back, slowly."""
        return round(475.0 - 450.0 * math.cos(2.0 * math.pi * self.asked / 9000.0), 1)

    @property
    def canister_C(self) -> float:
        """What the other one is at: always somewhere else."""
        return round(0.8 * self.air_C + 130.0, 1)

    def answer(self, request: bytes) -> list[Sent]:
        """What comes back to a request: (delay [s], bytes), in order."""
        right = self.right(request)
        earlier, self.earlier = self.earlier, right
        if self.rng.random() >= self.damaged:
            return [(0.0, right)]
        name = DAMAGES[int(self.rng.integers(len(DAMAGES)))]
        self.damages[name] += 1
        return damage(name, right, earlier, request, self.rng)

    def right(self, request: bytes) -> bytes:
        """The answer a sound device gives."""
        self.asked += 1
        if self.framing is Framing.TEXT:
            return f"AIR={self.air_C:.1f} CAN={self.canister_C:.1f} C\r\n".encode()
        body = request[:-2] if self.framing is Framing.RTU else bytes.fromhex(request[1:-4].decode())
        first, count = int.from_bytes(body[2:4], "big"), int.from_bytes(body[4:6], "big")
        held = {0: round(10 * self.air_C), 40: round(10 * self.canister_C)}
        words = b"".join(held.get(first + at, 7).to_bytes(2, "big") for at in range(count))
        return self.framed(bytes([body[0], body[1], len(words)]) + words)

    def framed(self, body: bytes) -> bytes:
        """A frame with its check sum."""
        if self.framing is Framing.RTU:
            return body + crc(body)
        return b":" + (body + bytes([-sum(body) & 0xFF])).hex().upper().encode() + b"\r\n"


DAMAGES = (
    "random bytes",
    "nothing",
    "cut short",
    "beginning lost",
    "middle lost",
    "twice",
    "after an earlier one",
    "earlier one instead",
    "noise before",
    "noise after",
    "bits flipped",
    "bytes replaced",
    "bytes swapped",
    "late",
    "in two parts, the second late",
    "echo",
    "two cut and merged",
)


def damage(name: str, right: bytes, earlier: bytes, request: bytes, rng: np.random.Generator) -> list[Sent]:
    """An answer as it comes through such a line."""
    noise = rng.integers(0, 256, int(rng.integers(1, 12)), dtype=np.uint8).tobytes()
    at = int(rng.integers(1, len(right)))
    match name:
        case "random bytes":
            return [(0.0, rng.integers(0, 256, int(rng.integers(1, 40)), dtype=np.uint8).tobytes())]
        case "nothing":
            return []
        case "cut short":
            return [(0.0, right[:at])]
        case "beginning lost":
            return [(0.0, right[at:])]
        case "middle lost":
            return [(0.0, right[: at // 2] + right[at:])]
        case "twice":
            return [(0.0, right + right)]
        case "after an earlier one":
            return [(0.0, earlier + right)]
        case "earlier one instead":
            return [(0.0, earlier)] if earlier else []
        case "noise before":
            return [(0.0, noise + right)]
        case "noise after":
            return [(0.0, right + noise)]
        case "bits flipped":
            return [(0.0, _flipped(right, int(rng.integers(1, 6)), rng))]
        case "bytes replaced":
            count = int(rng.integers(1, 4))
            return [(0.0, right[:at] + noise[:count] + right[at + len(noise[:count]) :])]
        case "bytes swapped":
            return [(0.0, right[: at - 1] + right[at : at + 1] + right[at - 1 : at] + right[at + 1 :])]
        case "late":
            return [(float(rng.uniform(0.05, 0.9)), right)]
        case "in two parts, the second late":
            return [(0.0, right[:at]), (float(rng.uniform(0.05, 0.6)), right[at:])]
        case "echo":
            return [(0.0, request + right)]
        case "two cut and merged":
            return [(0.0, earlier[: len(earlier) // 2] + right[at:])]
    raise ValueError(name)


def _flipped(right: bytes, bits: int, rng: np.random.Generator) -> bytes:
    bent = bytearray(right)
    for place in rng.choice(8 * len(bent), bits, replace=False):
        bent[int(place) // 8] ^= 1 << int(place) % 8
    return bytes(bent)


class SupposedTime:
    """A clock that only moves when somebody waits."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        """The supposed moment [s]."""
        self.now_s += 2e-5
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        """Waiting takes no time but the supposed one."""
        self.now_s += duration_s


class SupposedPort:
    """A port in supposed time, with the device at its other end."""

    def __init__(self, device: Device, clock: SupposedTime) -> None:
        self.device, self.clock = device, clock
        self._coming: list[tuple[float, bytes]] = []
        self._there = bytearray()

    def _arrive(self) -> None:
        due = [each for each in self._coming if each[0] <= self.clock.now_s]
        self._coming = [each for each in self._coming if each[0] > self.clock.now_s]
        for _, data in sorted(due):
            self._there += data

    @property
    def in_waiting(self) -> int:
        self._arrive()
        return len(self._there)

    def read(self, size: int = 1, /) -> bytes:
        self._arrive()
        if not self._there:
            soon = min((at_s for at_s, _ in self._coming), default=math.inf)
            self.clock.now_s = min(self.clock.now_s + 0.02, max(soon, self.clock.now_s + 1e-4))
            self._arrive()
        taken, self._there = bytes(self._there[:size]), self._there[size:]
        return taken

    def write(self, data: bytes, /) -> int:
        for delay_s, sent in self.device.answer(bytes(data)):
            if sent:
                self._coming.append((self.clock.now_s + 0.002 + delay_s, sent))
        return len(data)

    def flush(self) -> None: ...

    def close(self) -> None: ...


def settings_of(
    framing: Framing, name: str = "supposed", deadline_s: float = 0.2, slowest_s: float = 0.4
) -> PortSettings:
    """A port with one controller and its two thermocouples."""
    if framing is Framing.TEXT:
        channels = tuple(ChannelSettings(name, FieldSource(name)) for name in ("air", "canister"))
        pattern = r"AIR=(?P<air>\S+) CAN=(?P<canister>\S+) C"
        text = TextSettings(pattern, query="TEMP?")
    else:
        channels = tuple(
            ChannelSettings(name, RegisterSource(RegisterAddress(3, at), scale=0.1))
            for name, at in (("air", 0), ("canister", 40))
        )
        text = None
    controller = ControllerSettings(
        "device", channels, answer_deadline_s=deadline_s, slowest_answer_s=slowest_s, gap_s=0.0, text=text
    )
    return PortSettings(name, framing, 9600, controllers=(controller,))


def controller_on(line: SerialLine, settings: PortSettings) -> PolledController:
    """The reader that a watch would use on this line."""
    (controller,) = settings.controllers
    if settings.framing is Framing.TEXT:
        return TextController(controller, line)
    return ModbusController(controller, SerialRegisters(line))


@dataclass
class Outcome:
    """What came of many questions."""

    frames: int = 0
    polls: int = 0
    readings: int = 0
    good: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    damages: Counter[str] = field(default_factory=Counter)
    taken_wrong: list[tuple[int, str, float, float]] = field(default_factory=list)
    good_wrong: list[tuple[int, str, float, float]] = field(default_factory=list)


def ask_over_and_over(
    controller: PolledController, settings: PortSettings, device: Device, frames: int, wait: Any = None
) -> Outcome:
    """Ask until the device has been asked so often, and judge every reading as a watch does.

    A temperature is wrong when it is not what its thermocouple has been at within the last two answers.
    """
    outcome, (controller_settings,) = Outcome(), settings.controllers
    states = {channel.name: QualityState() for channel in controller_settings.channels}
    true_C: dict[str, list[float]] = {"air": [device.air_C], "canister": [device.canister_C]}
    while device.asked < frames:
        while not controller.ready():
            (wait or time.sleep)(0.01)
        asked_before = device.asked
        try:
            readings = controller.read()
        except LinkFault as fault:
            outcome.faults[type(fault).__name__] += 1
            readings = []
        outcome.polls += 1
        asked, device_asked = device.asked, range(asked_before, device.asked + 1)
        for at in device_asked:
            device.asked = at
            true_C["air"].append(device.air_C)
            true_C["canister"].append(device.canister_C)
        device.asked = asked
        true_C = {name: values[-8:] for name, values in true_C.items()}
        if not readings:
            states = {name: no_reading(state) for name, state in states.items()}
        for reading in readings:
            _judge_one(outcome, reading, states, true_C[reading.channel])
    outcome.frames, outcome.damages = device.asked, device.damages
    return outcome


def _judge_one(outcome: Outcome, reading: RawReading, states: dict[str, QualityState], true_C: list[float]) -> None:
    outcome.readings += 1
    celsius = reading.temperature_K - 273.15
    off_K = min(abs(celsius - each) for each in true_C)
    wrong = reading.quality is Quality.GOOD and not off_K < 0.06
    if wrong:
        outcome.taken_wrong.append((outcome.polls, reading.channel, celsius, true_C[-1]))
    if reading.quality is not Quality.GOOD:
        states[reading.channel] = no_reading(states[reading.channel])
        return
    judgement = judge(states[reading.channel], Observation(outcome.polls * POLL_S, reading.temperature_K))
    states[reading.channel] = judgement.state
    if judgement.quality is Quality.GOOD:
        outcome.good += 1
        if wrong and off_K > 12.0:
            outcome.good_wrong.append((outcome.polls, reading.channel, celsius, true_C[-1]))


@contextmanager
def supposed_time() -> Iterator[SupposedTime]:
    """The line's own modules run on a clock that moves when they wait."""
    clock = SupposedTime()
    stand_in = SimpleNamespace(monotonic=clock.monotonic, sleep=clock.sleep)
    before = line_module.time, text_module.time
    line_module.time = text_module.time = stand_in  # type: ignore[assignment]
    try:
        yield clock
    finally:
        line_module.time, text_module.time = before


def fuzz(framing: Framing, frames: int, seed: int, damaged: float = 0.6) -> Outcome:
    """So many damaged frames of one kind in supposed time."""
    device = Device(framing, np.random.default_rng([seed, list(Framing).index(framing)]), damaged)
    settings = settings_of(framing)
    with supposed_time() as clock:
        port = SupposedPort(device, clock)
        questions = frozenset({b"TEMP?\r\n"}) if framing is Framing.TEXT else frozenset()
        line = SerialLine(settings, questions, opener=lambda *_: ReadOnlyPort(port, framing, questions))
        line.open()
        return ask_over_and_over(controller_on(line, settings), settings, device, frames, clock.sleep)


def table(outcomes: dict[Framing, Outcome], seed: int, took_s: float) -> str:
    """The outcome as a page."""
    lines = [
        "# An hour of damaged frames",
        "",
        f"Six answers of ten damaged, seed {seed}; {took_s:.0f} s on {processor()}, "
        f"Python {platform.python_version()}.",
        f"A line of 9600 baud carries at most {FRAMES_AN_HOUR} such frames an hour.",
        "",
        "| | frames | questions failed | temperatures read | wrong ones read | good ones | wrong ones good |",
        "|---|---|---|---|---|---|---|",
    ]
    for framing, one in outcomes.items():
        lines.append(
            f"| {framing} | {one.frames} | {sum(one.faults.values())} | {one.readings} | {len(one.taken_wrong)} | "
            f"{one.good} | {len(one.good_wrong)} |"
        )
    lines += [
        "",
        "Read: an answer whose check sum, unit, function code and length fit (text: two lines that agree). Good: also "
        "believed by the rules on range, rate and standstill. Wrong: not what the thermocouple was at; good and wrong: "
        "by more than the 12 K that a sound oven may move between two questions.",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES_AN_HOUR
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    began_s = time.monotonic()
    found = {framing: fuzz(framing, frames, seed) for framing in (Framing.RTU, Framing.ASCII, Framing.TEXT)}
    words = table(found, seed, time.monotonic() - began_s)
    print(words)
    for framing, one in found.items():
        for at, channel, said_C, true_C in one.taken_wrong[:20]:
            print(f"{framing}: question {at}, {channel} {said_C:.1f} C where it was {true_C:.1f} C")
    if frames >= FRAMES_AN_HOUR:
        RESULTS.write_text(words + "\n", encoding="utf-8")
