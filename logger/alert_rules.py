"""Rules of alerts: what there is an alert for, how each kind behaves, and what it says to people."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Severity(StrEnum):
    """How much it matters, from least to most."""

    NEWS = "news"
    WARNING = "warning"
    DANGER = "danger"

    @property
    def rank(self) -> int:
        """0 for news, 1 for a warning, 2 for danger."""
        return list(Severity).index(self)


class AlertKind(StrEnum):
    """Everything there is an alert for."""

    TARGET_REACHED = "target reached"
    TARGET_SOON = "target soon"
    TARGET_PASSED = "target passed"
    NEAR_MELTING = "near melting"
    MELTING = "melting"
    DECARBURIZING = "decarburizing"
    SOAK_STARTED = "soak started"
    SOAK_ENDED = "soak ended"
    OVER_TEMPERATURE = "over temperature"
    CONTROLLER_ALARM = "controller alarm"
    STUCK_RELAY = "stuck relay"
    DEAD_ELEMENT = "dead element"
    HOLD_NOT_REACHED = "hold not reached"
    HOLD_LOST = "hold lost"
    SENSOR_FAULT = "sensor fault"
    LINK_LOST = "link lost"
    CLOCK_JUMP = "clock jump"
    RECORD_TROUBLE = "record trouble"
    DISK_SPACE = "disk space"
    CHANNEL_TROUBLE = "notification trouble"
    RESTARTED = "restarted"
    RUN_ENDED = "run ended"
    OWN_MISTAKE = "own mistake"
    NOT_WATCHED = "not watched"
    TEST = "test"


@dataclass(frozen=True, slots=True)
class Rule:
    """How one kind of alert behaves and what it says.

    ``raise_after_s`` the condition must hold this long; ``clear_after_s`` it must be gone this long;
    ``remind_every_s`` and ``escalate_after_s`` count from the raising until somebody acknowledges (0: never);
    ``latched`` clears only once acknowledged; ``tells_clear`` whether anyone is told of the all-clear; ``title_after``
    is its title while it is over and waits for that, where the other would then be wrong.
    """

    severity: Severity
    title: str
    meaning: str
    advice: str
    raise_after_s: float = 0.0
    clear_after_s: float = 60.0
    remind_every_s: float = 0.0
    escalate_after_s: float = 0.0
    latched: bool = False
    tells_clear: bool = True
    title_after: str = ""


_LOW_HEAT: Final = (
    "If the heat has to be lowered, do it at the oven's own controller or at the breaker; soaktally only reads. "
)
_HOT_CANISTER: Final = (
    "Let a hot canister cool shut: opened hot it flares and gives off carbon monoxide. "
    "Air the room and keep the CO alarm on, whatever the hour; follow your local codes."
)
_BREAKER: Final = (
    "If someone can get there safely, switch the oven off at the breaker, not only at the controller. "
    "Do not open a hot canister. Never rely on soaktally to stop an oven: fit an independent over-temperature cut-out."
)


def _news(title: str, meaning: str, advice: str = "") -> Rule:
    """A single message, over at once: nothing to acknowledge, no all-clear."""
    return Rule(Severity.NEWS, title, meaning, advice, clear_after_s=0.0, tells_clear=False)


OF_A_TARGET: Final = frozenset({AlertKind.TARGET_REACHED, AlertKind.TARGET_SOON, AlertKind.TARGET_PASSED})
"""About one target of several: its name belongs beside the number."""

RULES: Final[Mapping[AlertKind, Rule]] = {
    AlertKind.TARGET_REACHED: Rule(
        Severity.WARNING,
        "Target reached",
        "What the run sheet asks for is there; more heat goes past it.",
        _LOW_HEAT + _HOT_CANISTER,
        remind_every_s=600.0,
        escalate_after_s=1800.0,
        latched=True,
        tells_clear=False,
    ),
    AlertKind.TARGET_SOON: Rule(
        Severity.NEWS,
        "Target soon",
        "At the present rate the target will be reached shortly.",
        "Be back at the oven by then; have tongs, gloves, face shield and a place for a hot canister ready.",
        raise_after_s=30.0,
        clear_after_s=300.0,
        tells_clear=False,
    ),
    AlertKind.TARGET_PASSED: Rule(
        Severity.WARNING,
        "Past a limit",
        "A quantity the run sheet limits has gone past its limit.",
        _LOW_HEAT + _HOT_CANISTER,
        remind_every_s=600.0,
        escalate_after_s=1800.0,
        latched=True,
        tells_clear=False,
    ),
    AlertKind.NEAR_MELTING: Rule(
        Severity.DANGER,
        "Skin close to melting",
        "Steel this rich in carbon begins to melt not far above this temperature and turns to cast iron.",
        _LOW_HEAT + "Twenty or thirty degrees less is enough. " + _HOT_CANISTER,
        clear_after_s=300.0,
        remind_every_s=300.0,
        escalate_after_s=900.0,
        latched=True,
        title_after="Skin was close to melting",
    ),
    AlertKind.MELTING: Rule(
        Severity.DANGER,
        "Skin is melting",
        "The skin is past the temperature where steel of its carbon begins to melt; that depth becomes cast iron.",
        _LOW_HEAT + "Liquid iron may weld pieces together or run out of the canister: keep clear. " + _HOT_CANISTER,
        clear_after_s=300.0,
        remind_every_s=300.0,
        escalate_after_s=600.0,
        latched=True,
        title_after="Skin has melted",
    ),
    AlertKind.DECARBURIZING: Rule(
        Severity.WARNING,
        "Losing carbon",
        "The steel is hot in an atmosphere that takes carbon out of its surface.",
        "Lower the heat or end the run at the controller. " + _HOT_CANISTER,
        raise_after_s=120.0,
        clear_after_s=300.0,
        remind_every_s=900.0,
        escalate_after_s=2700.0,
        latched=True,
        title_after="Has lost carbon",
    ),
    AlertKind.SOAK_STARTED: _news("Soak started", "The steel itself has come into the band; its soak is counting."),
    AlertKind.SOAK_ENDED: _news("Soak ended", "The steel has left the band; its soak has stopped counting."),
    AlertKind.OVER_TEMPERATURE: Rule(
        Severity.DANGER,
        "Over temperature",
        "The oven is hotter than the limit set for it.",
        _BREAKER,
        raise_after_s=10.0,
        clear_after_s=120.0,
        remind_every_s=300.0,
        escalate_after_s=600.0,
        latched=True,
    ),
    AlertKind.CONTROLLER_ALARM: Rule(
        Severity.WARNING,
        "The controller's own alarm",
        "The oven's controller says that one of its alarms is on.",
        "Look at its display and its manual for what this alarm means. " + _LOW_HEAT,
        clear_after_s=30.0,
        remind_every_s=600.0,
        escalate_after_s=1800.0,
    ),
    AlertKind.STUCK_RELAY: Rule(
        Severity.DANGER,
        "Heating without being told to",
        "The oven keeps heating while its controller asks for no heat: a relay may have welded shut.",
        _BREAKER,
        raise_after_s=60.0,
        clear_after_s=300.0,
        remind_every_s=300.0,
        escalate_after_s=600.0,
        latched=True,
    ),
    AlertKind.DEAD_ELEMENT: Rule(
        Severity.WARNING,
        "Not heating",
        "The controller asks for full heat and the oven does not get hotter: element, relay, fuse or mains.",
        "Look at it cold, with the breaker off; mains work belongs to a qualified person. The clock of the soak "
        "may be standing still.",
        raise_after_s=300.0,
        clear_after_s=300.0,
        remind_every_s=1800.0,
        escalate_after_s=3600.0,
    ),
    AlertKind.HOLD_NOT_REACHED: Rule(
        Severity.WARNING,
        "Hold not reached",
        "The oven should be at its set point by now and is not.",
        "Check the set point, the door and the load; do not add time before the steel is at heat.",
        raise_after_s=60.0,
        clear_after_s=120.0,
        remind_every_s=1800.0,
        escalate_after_s=3600.0,
    ),
    AlertKind.HOLD_LOST: Rule(
        Severity.WARNING,
        "Falling during a hold",
        "The temperature is dropping out of the hold although the set point has not changed.",
        "A door ajar, a lost phase or a failing element; look without opening a hot canister.",
        raise_after_s=60.0,
        clear_after_s=120.0,
        remind_every_s=1800.0,
        escalate_after_s=3600.0,
    ),
    AlertKind.SENSOR_FAULT: Rule(
        Severity.WARNING,
        "Sensor fault",
        "This channel gives no temperature that can be believed; nothing of it is counted.",
        "The oven's own controller may be blind too. Watch the oven in person; " + _BREAKER,
        raise_after_s=90.0,
        clear_after_s=300.0,
        remind_every_s=900.0,
        escalate_after_s=1800.0,
    ),
    AlertKind.LINK_LOST: Rule(
        Severity.WARNING,
        "Connection to the oven lost",
        "No answer from the controller: the oven goes on by itself and nobody is watching it here.",
        "Watch the oven in person. Check plug, adapter and the controller's power; the time without readings will be "
        "shown as a gap.",
        raise_after_s=60.0,
        clear_after_s=20.0,
        remind_every_s=900.0,
        escalate_after_s=1800.0,
    ),
    AlertKind.CLOCK_JUMP: _news(
        "The computer's clock was changed",
        "Times of day before and after do not fit together; run time and soak follow the steady clock and are not "
        "touched.",
    ),
    AlertKind.RECORD_TROUBLE: Rule(
        Severity.WARNING,
        "The record cannot be written",
        "Readings are being kept beside the record and will be added to it once it can be written again.",
        "Free some space or put the disk right while the run goes on; do not restart the computer if it can wait.",
        clear_after_s=0.0,
        remind_every_s=1800.0,
        escalate_after_s=3600.0,
    ),
    AlertKind.DISK_SPACE: Rule(
        Severity.WARNING,
        "The disk is filling up",
        "Once it is full the record cannot be written, and readings go to a reserve beside it.",
        "Free some space; a record is never made smaller by itself.",
        clear_after_s=60.0,
        remind_every_s=14_400.0,
    ),
    AlertKind.CHANNEL_TROUBLE: Rule(
        Severity.WARNING,
        "A notification channel does not deliver",
        "Messages through this channel are waiting; alerts may not reach whoever relies on it.",
        "Check the network and the channel's address with `soaktally alert-test`; watch by another way meanwhile.",
        raise_after_s=120.0,
        clear_after_s=0.0,
    ),
    AlertKind.RESTARTED: Rule(
        Severity.WARNING,
        "soaktally was restarted in mid-run",
        "The watch stopped and has taken the run up again; the time between is a gap in the record.",
        "Check the oven in person: after a power cut its program may have stopped, held, or started again.",
        clear_after_s=0.0,
        tells_clear=False,
    ),
    AlertKind.RUN_ENDED: _news("Run ended", "The run is closed in the record.", _HOT_CANISTER),
    AlertKind.OWN_MISTAKE: Rule(
        Severity.WARNING,
        "soaktally made a mistake of its own",
        "Readings are still recorded, but part of what is worked out from them is missing or late.",
        "Watch the oven in person; restart soaktally when it suits. The log file says what went wrong.",
        clear_after_s=600.0,
        remind_every_s=1800.0,
    ),
    AlertKind.NOT_WATCHED: Rule(
        Severity.WARNING,
        "An oven is not being watched",
        "Its oven file or its record cannot be used; the other ovens are watched all the same.",
        "Watch that oven in person. Put right what is said, then start soaktally again.",
        clear_after_s=0.0,
        remind_every_s=1800.0,
        escalate_after_s=3600.0,
    ),
    AlertKind.TEST: _news("Test", "This is a test of the notification channels; nothing is wrong."),
}
