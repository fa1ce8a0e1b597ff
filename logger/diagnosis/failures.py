"""What goes wrong between an oven and its first true reading: the fifteen failures by name, and what was seen of them.

The names, the evidence that a check gathers, and the diagnosis it ends in are plain values. The modules beside this
one judge the evidence, `logger.link_check` gathers it.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from math import nan
from typing import Final, Literal

from logger.controllers.controller import RawReading
from logger.controllers.settings import ChannelSettings, Framing, RegisterAddress
from logger.reading import Quality


class Failure(IntEnum):
    """The fifteen failures, in the order in which they stand in the way of a reading."""

    PORT_MISSING = 1
    PORT_TAKEN = 2
    SILENCE = 3
    ECHO = 4
    NOISE = 5
    WRONG_REGISTER = 6
    MISREAD = 7
    BREAK_CODE = 8
    FROZEN = 9
    OTHERS_ANSWERS = 10
    NOW_AND_THEN = 11
    THERMOCOUPLE = 12
    SPIKES = 13
    HEATING = 14
    GAPS_AND_CLOCKS = 15

    @property
    def title(self) -> str:
        """What it is called in front of a person."""
        return TITLES[self]


TITLES: Final = {
    Failure.PORT_MISSING: "the port is not there",
    Failure.PORT_TAKEN: "the port is held by another program, or not yours to open",
    Failure.SILENCE: "nobody answers",
    Failure.ECHO: "the adapter hears itself",
    Failure.NOISE: "answers arrive damaged, or with stray bytes",
    Failure.WRONG_REGISTER: "another function code or register than the controller has",
    Failure.MISREAD: "the right register read the wrong way",
    Failure.BREAK_CODE: "a code for an open sensor instead of a temperature",
    Failure.FROZEN: "a value that does not move",
    Failure.OTHERS_ANSWERS: "answers to other questions",
    Failure.NOW_AND_THEN: "answers only now and then",
    Failure.THERMOCOUPLE: "the thermocouple does not tell the truth",
    Failure.SPIKES: "spikes",
    Failure.HEATING: "the heat does not do what the controller asks for",
    Failure.GAPS_AND_CLOCKS: "gaps, clocks, and the place of the record",
}


class Certainty(StrEnum):
    """How far what was seen leaves room for another cause."""

    SURE = "sure"  # nothing else looks like this
    LIKELY = "likely"  # the usual cause; the advice tells it from the others
    ONE_OF_SEVERAL = "one of several"  # software cannot tell these causes apart; the advice is in order of ease


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One failure found: what it is, what was seen, and what to try next, first things first.

    ``where`` is the port, controller or channel. ``stands_in_the_way`` is False for what soaktally copes with by
    itself. ``change`` is what to write into the oven file, as key and value, when the cure lies there.
    """

    failure: Failure
    where: str
    cause: str
    seen: str
    advice: tuple[str, ...]
    certainty: Certainty = Certainty.SURE
    stands_in_the_way: bool = True
    change: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A failure that could not be told in the time a channel (``where``) was watched: why, and how to get it judged."""

    failure: Failure
    where: str
    why: str
    how: str


def in_order(found: Iterable[Diagnosis]) -> tuple[Diagnosis, ...]:
    """The diagnoses in the order in which to act: what stands in the way first, then as the failures are numbered."""
    return tuple(sorted(found, key=lambda each: (not each.stands_in_the_way, each.failure)))


# -- what a check gathers ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PortEvidence:
    """What opening a port brought.

    ``fault`` is empty when it opened; ``unasked`` are the bytes that came before anything was asked.
    """

    port: str
    framing: Framing
    fault: Literal["", "missing", "taken", "lost"] = ""
    said: str = ""
    opening_s: float = 0.0
    holders: tuple[str, ...] = ()
    other_ports: tuple[str, ...] = ()
    unasked: bytes = b""


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of a number of questions to one controller.

    ``refused`` has the exception code of each refusal, ``damaged`` the reason of each answer that was none
    ("garbled", "cut", "noise", "foreign", "double", "pattern"). The rest is what the line counted meanwhile.
    ``answer_s`` is how long each answer took [s].
    """

    asked: int = 0
    answer_s: tuple[float, ...] = ()
    silent: int = 0
    refused: tuple[int, ...] = ()
    damaged: tuple[str, ...] = ()
    lost: str = ""
    echoes: int = 0
    stray_bytes: int = 0
    left_over: int = 0
    foreign_units: int = 0
    double_answers: int = 0
    heard: bytes = b""

    @property
    def answered(self) -> int:
        """Questions that got their answer."""
        return len(self.answer_s)


class Outcome(StrEnum):
    """What one trial with other settings brought."""

    ANSWERED = "answered"
    REFUSED = "refused"  # somebody is there and understands
    DAMAGED = "damaged"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class Trial:
    """One question with a neighbouring setting.

    ``change`` is what differs from the oven file, as key and value. ``temperature_K`` is what an answer would be as a
    temperature of the channel [K].
    """

    change: tuple[tuple[str, str], ...]
    outcome: Outcome
    temperature_K: float = nan

    @property
    def words(self) -> str:
        """The change as it would be written."""
        return ", ".join(f"{key} = {value}" for key, value in self.change)

    @property
    def is_understood(self) -> bool:
        """Whether somebody understood the question: also a refusal shows that."""
        return self.outcome in (Outcome.ANSWERED, Outcome.REFUSED)


@dataclass(frozen=True, slots=True)
class PaceTrial:
    """How many of some questions were answered at one pause before each [s]."""

    gap_s: float
    asked: int
    answered: int


@dataclass(frozen=True, slots=True)
class ControllerEvidence:
    """What asking one controller brought, as the oven file has it and with neighbouring settings."""

    controller: str
    framing: Framing
    tally: Tally
    gap_s: float = 0.0
    line_trials: tuple[Trial, ...] = ()
    unit_trials: tuple[Trial, ...] = ()
    register_trials: tuple[Trial, ...] = ()
    pace_trials: tuple[PaceTrial, ...] = ()


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A register near the one that was read, how often it was read, and every content it had."""

    register: RegisterAddress
    contents: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ChannelEvidence:
    """What one temperature channel said, beside what a person says it should be.

    ``words`` are the registers' contents behind ``reading``, ``contents`` every reading's raw text.
    ``expected_K`` is what a person knows [K] (NaN: nothing), true within ``tolerance_K`` [K]; ``is_room`` says
    whether that is a thermometer in the room rather than the controller's own display.
    """

    channel: ChannelSettings
    reading: RawReading
    words: tuple[int, ...] = ()
    contents: tuple[str, ...] = ()
    expected_K: float = nan
    tolerance_K: float = 8.0
    is_room: bool = True
    neighbours: tuple[Neighbour, ...] = ()


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading of a stretch that was watched: time [s], temperature [K], quality, output (fraction of full)."""

    time_s: float
    temperature_K: float
    quality: Quality
    output: float = nan


@dataclass(frozen=True, slots=True)
class Stretch:
    """A channel watched for a while.

    ``suspicions`` are those that were held at any time, by their words. ``second`` is another temperature channel of
    the same oven over the same time, sample by sample, empty when there is none. ``room_K`` is the room [K].
    """

    channel: str
    samples: tuple[Sample, ...]
    suspicions: frozenset[str] = frozenset()
    second_channel: str = ""
    second: tuple[Sample, ...] = ()
    thermocouple: str = "K"
    room_K: float = nan
    interval_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Interruption:
    """The link was gone, or nothing was asked, or the wall clock jumped, during the stretch."""

    kind: Literal["lost", "restored", "paused", "clock"]
    where: str
    time_s: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class PlaceEvidence:
    """Where the record is to be: whether it can be written there, and how much room is left [bytes]."""

    record: str
    writable: bool = True
    free_bytes: float = nan
    said: str = ""
    clock_is_set: bool = True


@dataclass(frozen=True, slots=True)
class CheckReport:
    """Everything one check saw and what it comes to; the first diagnosis is the one to act on."""

    oven: str
    ports: tuple[PortEvidence, ...] = ()
    controllers: tuple[ControllerEvidence, ...] = ()
    channels: tuple[ChannelEvidence, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    interruptions: tuple[Interruption, ...] = ()
    place: PlaceEvidence | None = None
    diagnoses: tuple[Diagnosis, ...] = field(default=())
    not_judged: tuple[NotJudged, ...] = ()
    was_stopped: bool = False

    @property
    def is_well(self) -> bool:
        """Whether nothing that was found stands in the way of a true reading."""
        return not self.was_stopped and not any(each.stands_in_the_way for each in self.diagnoses)
