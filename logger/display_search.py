"""The search for the register a display shows: find the line, read what can be read, look, look again, rank.

Every step can be stopped and leaves its findings in `Notes`, which can be kept in a file and taken up another day.
"""

import json
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from logger.clock import Clock
from logger.controllers.link import Connected, connect_port
from logger.controllers.link_faults import BadAnswer, NoAnswer, Refused
from logger.controllers.register_finder import (
    USUAL_WINDOWS,
    Candidate,
    Progress,
    Shown,
    candidates,
    has_moved,
    is_settled,
    reread,
    scan,
)
from logger.controllers.settings import (
    ChannelSettings,
    ChannelUnit,
    ControllerSettings,
    Framing,
    PortSettings,
    RegisterAddress,
    RegisterSource,
)
from logger.diagnosis.failures import Trial
from logger.errors import Fault, InputFault, OutsideFault
from logger.settings_search import USUAL_UNITS, try_lines, try_units

Tell = Callable[[str, float], None]

SAMPLES, SAMPLE_EVERY_S, UNMOVED_SAMPLES = 20, 1.0, 3
"""How often, and at what intervals [s], registers are read to see how they move (our choice)."""

NOTES_KIND = "soaktally find"


@dataclass(frozen=True, slots=True)
class Look:
    """What the registers held at the moment the display showed something."""

    words: dict[RegisterAddress, int]
    shown: Shown


@dataclass
class Notes:
    """Everything a search has found so far; worth keeping."""

    port: PortSettings
    unit_address: int
    found: dict[RegisterAddress, int] = field(default_factory=dict)
    tried: set[RegisterAddress] = field(default_factory=set)
    looks: list[Look] = field(default_factory=list)
    samples: list[dict[RegisterAddress, int]] = field(default_factory=list)


class DisplaySearch:
    """One search on one controller. `connect` first, then `scan`, then `look` as often as it takes; `close` at the end.

    Parameters
    ----------
    notes : where to begin: port, unit address, and what an earlier search found
    controller : how patiently the controller is asked
    clock : only handed on
    """

    def __init__(
        self,
        notes: Notes,
        controller: ControllerSettings,
        clock: Clock,
        connect: Callable[[PortSettings, Clock], Connected] = connect_port,
    ) -> None:
        self.notes = notes
        self.controller = replace(controller, unit_address=notes.unit_address, channels=())
        self.trials: tuple[Trial, ...] = ()
        self._clock = clock
        self._connect = connect
        self._connected: Connected | None = None

    def connect(self, tell: Tell = lambda what, fraction: None, stop: threading.Event | None = None) -> None:
        """Open the port and get one answer; where nobody answers, try neighbouring line settings and addresses.

        Raises   OutsideFault    the port is not there or taken, or nobody answers whatever was tried
        """
        stop = stop or threading.Event()
        tell(f"opening {self.notes.port.name}", 0.0)
        self._open(self.notes.port)
        if self._is_answered():
            return
        probe = ChannelSettings("first register", RegisterSource(RegisterAddress(3, 0)))
        asked = replace(self.controller, channels=(probe,))
        self.close()

        def trying(done: int, of: int, what: str) -> None:
            tell(f"nobody answers yet; trying {what}", done / of)

        lines = try_lines(self.notes.port, asked, self._clock, stop, trying, self._connect)
        self.trials = lines
        understood = next((trial for trial in lines if trial.is_understood), None)
        if understood is not None:
            self.notes.port = replace(self.notes.port, **_line_of(understood))
            self._open(self.notes.port)
            return
        connected = self._open(self.notes.port)
        assert connected.registers is not None
        units = try_units(connected.registers, asked, USUAL_UNITS, stop, trying)
        self.trials = (*lines, *units)
        understood = next((trial for trial in units if trial.is_understood), None)
        if understood is None:
            raise NoAnswer(
                f"{self.notes.port.name}: nobody answers, also with {len(self.trials)} other line settings and unit "
                "addresses; look at power and wires (A and B swapped?), whether the communication card is fitted and "
                "switched on, and give --baud, --parity and --unit-address as the controller's menu has them"
            )
        self.notes.unit_address = int(dict(understood.change)["unit_address"])
        self.controller = replace(self.controller, unit_address=self.notes.unit_address)

    def _open(self, port: PortSettings) -> Connected:
        self.close()
        self._connected = self._connect(replace(port, controllers=()), self._clock)
        self._connected.link.open()
        return self._connected

    def _is_answered(self) -> bool:
        """Whether anybody answers two questions, be it with a refusal."""
        assert self._connected is not None
        registers = self._connected.registers
        assert registers is not None
        exact = replace(self.controller, exact_reads=True)
        for function_code in (3, 4, 3):
            with suppress(NoAnswer, BadAnswer):
                try:
                    registers.read(exact, function_code, 0, 1)
                except Refused:
                    return True
                return True
        return False

    def scan(
        self,
        windows: Sequence[tuple[int, int]] = USUAL_WINDOWS,
        function_codes: Sequence[int] = (3, 4),
        progress: Progress = lambda tried, of, found: None,
        stop: threading.Event | None = None,
    ) -> None:
        """Read every register that can be read; goes on where an earlier search was stopped.

        Raises   Stopped         `stop` was set; what was found by then is in the notes
                 OutsideFault    the link failed, or nobody answers
        """
        assert self._connected is not None
        assert self._connected.registers is not None
        scan(
            self._connected.registers,
            self.controller,
            windows,
            function_codes,
            progress,
            stop,
            self.notes.found,
            self.notes.tried,
        )

    def look(self, shown: Shown, tell: Tell = lambda what, fraction: None) -> list[Candidate]:
        """Read all that was found again, now that the display shows this; the ways that fit, the most likely first."""
        assert self._connected is not None
        assert self._connected.registers is not None
        words = reread(self._connected.registers, self.controller, self._worth_rereading())
        self.notes.looks.append(Look(words, shown))
        moved = has_moved([each.shown for each in self.notes.looks])
        if moved and len({each.values for each in self.candidates()}) > 1:
            self._sample(tell)
        return self.candidates()

    def _sample(self, tell: Tell) -> None:
        """Read what is left again and again for a while: how it moves tells numbers from halves of two."""
        assert self._connected is not None
        assert self._connected.registers is not None
        worth, samples = list(self._worth_rereading()), self.notes.samples
        samples.clear()
        due_s = time.monotonic()
        for number in range(SAMPLES):
            tell("watching how it moves", number / SAMPLES)
            samples.append(reread(self._connected.registers, self.controller, worth))
            if number == UNMOVED_SAMPLES and all(each == samples[0] for each in samples):
                samples.clear()  # nothing moves: there is nothing to learn
                return
            due_s += SAMPLE_EVERY_S
            time.sleep(max(0.0, due_s - time.monotonic()))

    def _worth_rereading(self) -> Iterable[RegisterAddress]:
        """After a first look only the registers that fitted it; otherwise all."""
        fitting = self.candidates()
        if not fitting:
            return self.notes.found
        return {
            RegisterAddress(each.register.function_code, each.register.address + at)
            for each in fitting
            for at in range(each.number.register_count)
        }

    def candidates(self) -> list[Candidate]:
        """The ways that fit every look so far, the most likely first."""
        if not self.notes.looks:
            return []
        return candidates([(look.words, look.shown) for look in self.notes.looks], self.notes.samples)

    def is_settled(self) -> bool:
        """Whether what fits leaves only one reading."""
        return is_settled(self.candidates())

    def close(self) -> None:
        """Close the port."""
        if self._connected is not None:
            self._connected.link.close()


def _line_of(trial: Trial) -> dict[str, Any]:
    """Line settings that a trial differs in, as fields of `PortSettings`."""
    change = dict(trial.change)
    found: dict[str, Any] = {}
    if "baud" in change:
        found["baud"] = int(change["baud"])
    if "parity" in change:
        found["parity"] = change["parity"].strip('"')
    if "data_bits" in change:
        found["data_bits"] = int(change["data_bits"])
    return found


# -- notes on disk -----------------------------------------------------------------------------------------------


def save_notes(notes: Notes, path: Path) -> None:
    """Keep what was found.

    Raises   OutsideFault    the file cannot be written
    """
    port = notes.port
    kept = {
        "kind": NOTES_KIND,
        "port": port.name,
        "framing": port.framing.value,
        "baud": port.baud,
        "parity": port.parity,
        "data_bits": port.data_bits,
        "stop_bits": port.stop_bits,
        "unit_address": notes.unit_address,
        "tried": [[code, first, last] for code, first, last in _spans(notes.tried)],
        "found": _plain(notes.found),
        "looks": [
            {
                "shown": look.shown.value,
                "unit": look.shown.unit.value,
                "decimals": look.shown.decimals,
                "registers": _plain(look.words),
            }
            for look in notes.looks
        ],
    }
    try:
        path.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise OutsideFault(f"{path}: the notes could not be written: {error.strerror}") from error


def load_notes(path: Path) -> Notes:
    """What an earlier search found.

    Raises   InputFault    no such notes
    """
    expected = "notes of an earlier soaktally find"
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        if kept["kind"] != NOTES_KIND:
            raise ValueError(kept["kind"])
        port = PortSettings(
            kept["port"],
            Framing(kept["framing"]),
            int(kept["baud"]),
            kept["parity"],
            int(kept["data_bits"]),
            int(kept["stop_bits"]),
        )
        looks = [
            Look(
                _addressed(look["registers"]),
                Shown(float(look["shown"]), ChannelUnit(look["unit"]), int(look["decimals"])),
            )
            for look in kept["looks"]
        ]
        tried = {RegisterAddress(code, at) for code, first, last in kept["tried"] for at in range(first, last + 1)}
        return Notes(port, int(kept["unit_address"]), _addressed(kept["found"]), tried, looks)
    except OSError as error:
        raise InputFault(Fault(str(path), error.strerror or "nothing", expected)) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputFault(Fault(str(path), "something else", expected)) from None


def _plain(words: dict[RegisterAddress, int]) -> list[list[int]]:
    return [[each.function_code, each.address, word] for each, word in words.items()]


def _addressed(rows: list[list[int]]) -> dict[RegisterAddress, int]:
    return {RegisterAddress(int(code), int(address)): int(word) for code, address, word in rows}


def _spans(places: set[RegisterAddress]) -> list[tuple[int, int, int]]:
    """Function code, first and last address of every run without a gap."""
    found: list[tuple[int, int, int]] = []
    for place in sorted(places, key=lambda each: (each.function_code, each.address)):
        if found and found[-1][0] == place.function_code and found[-1][2] + 1 == place.address:
            found[-1] = (place.function_code, found[-1][1], place.address)
        else:
            found.append((place.function_code, place.address, place.address))
    return found
