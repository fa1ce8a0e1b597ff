"""Alerts: old state and facts in, new state and events out. One episode is one alert, however often it flickers.

A fact says whether a condition holds now. It becomes an episode once it has held for the rule's delay, is reminded
of until somebody acknowledges it, is passed on to a second person when nobody does, and is cleared once the
condition has been gone for long enough. A *latched* episode also waits for the acknowledgement before it clears: a
skin that came near melting stays worth knowing after the oven has cooled.

A fact that is not mentioned stands as it stood: silence never clears an alert.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from logger.alert_rules import OF_A_TARGET, RULES, AlertKind, Rule, Severity


class Phase(StrEnum):
    """What happened to an episode."""

    RAISED = "raised"
    REMINDED = "reminded"
    ESCALATED = "escalated"
    ACKNOWLEDGED = "acknowledged"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Fact:
    """Whether a condition holds now.

    ``key`` tells conditions of one kind apart (a channel, a target). ``text`` is a sentence for people;
    ``number`` and ``band`` are the value and its 5-95 % band or limit in the person's units. ``severity`` and
    ``advice`` override the rule's where given.
    """

    kind: AlertKind
    key: str
    active: bool
    text: str = ""
    number: str = ""
    band: str = ""
    severity: Severity | None = None
    advice: str = ""


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """One thing that happened to one episode. ``announce`` is False where only the record needs to know."""

    kind: AlertKind
    key: str
    episode: int
    phase: Phase
    time_s: float
    severity: Severity
    title: str
    message: str
    advice: str
    announce: bool = True
    escalated: bool = False  # the episode has been passed on to the second person


@dataclass(frozen=True, slots=True)
class Episode:
    """One condition being followed: waiting to be raised while ``raised_s`` is None, then raised."""

    fact: Fact
    number: int
    since_s: float  # when the condition last changed between holding and not holding
    raised_s: float | None = None
    reminded_s: float = 0.0
    acknowledged: bool = False
    escalated: bool = False

    @property
    def raised(self) -> bool:
        """Whether anyone has been told."""
        return self.raised_s is not None

    @property
    def severity(self) -> Severity:
        """How much it matters."""
        return _severity(self.fact, RULES)

    @property
    def words(self) -> str:
        """What it is, in a few words: its title and the number it is about; of a target also which."""
        about = self.fact.number or self.fact.text
        if self.fact.number and self.fact.kind in OF_A_TARGET:
            about = f"{self.fact.text}, {self.fact.number}"
        title = self.title(RULES)
        return f"{title}: {about}" if about else title

    def title(self, rules: Mapping[AlertKind, Rule]) -> str:
        """Its title, of what is over and waits to be acknowledged as well."""
        rule = rules[self.fact.kind]
        return rule.title if self.fact.active else rule.title_after or rule.title

    def is_named(self, kind: str, key: str = "") -> bool:
        """Whether somebody means this one, among others, by a kind ("" and "all": any) and a key ("": any)."""
        return kind in ("", "all", str(self.fact.kind)) and key in ("", self.fact.key)


Name = tuple[AlertKind, str]


@dataclass(frozen=True, slots=True)
class AlertState:
    """Every condition being followed, by kind and key, and how many episodes each has had."""

    episodes: Mapping[Name, Episode] = field(default_factory=dict)
    counts: Mapping[Name, int] = field(default_factory=dict)

    def open(self) -> tuple[Episode, ...]:
        """Episodes that have been raised and not cleared, the most serious first."""
        raised = [episode for episode in self.episodes.values() if episode.raised]
        # What only threatened comes after what has happened.
        return tuple(sorted(raised, key=lambda one: (-one.severity.rank, one.fact.kind is AlertKind.NEAR_MELTING)))

    def is_raised(self, kind: AlertKind, key: str) -> bool:
        """Whether an episode of this kind and key is open."""
        episode = self.episodes.get((kind, key))
        return episode is not None and episode.raised


def is_news(event: AlertEvent, rules: Mapping[AlertKind, Rule] = RULES) -> bool:
    """Whether an event was the single message of its episode: told once, over at once."""
    rule = rules[event.kind]
    return event.phase is Phase.RAISED and not rule.tells_clear and rule.clear_after_s == 0.0 and not rule.latched


def holds(value: float, raise_at: float, clear_at: float, held: bool) -> bool:
    """A threshold with hysteresis: whether a condition on ``value`` holds, given whether it ``held`` before.

    With ``raise_at`` above ``clear_at`` it begins at or above ``raise_at`` and ends below ``clear_at``; with
    ``raise_at`` below ``clear_at`` the other way round. NaN changes nothing.
    The three are in one unit [whichever].
    """
    if value != value:  # NaN
        return held
    limit = clear_at if held else raise_at
    return value >= limit if raise_at >= clear_at else value <= limit


def advance(
    state: AlertState, facts: Iterable[Fact], time_s: float, rules: Mapping[AlertKind, Rule] = RULES
) -> tuple[AlertState, tuple[AlertEvent, ...]]:
    """Take in the facts of time ``time_s`` [s]; times never go backwards from call to call.

    Returns   the new state, and what happened, in the order of the facts
    """
    episodes, counts = dict(state.episodes), dict(state.counts)
    events: list[AlertEvent] = []
    mentioned: dict[Name, Fact] = {(fact.kind, fact.key): fact for fact in facts}
    for name in [*mentioned, *(name for name in state.episodes if name not in mentioned)]:
        before = episodes.get(name)
        after, happened = _follow(before, mentioned.get(name), counts.get(name, 0), time_s, rules)
        events.extend(happened)
        if after is None:
            episodes.pop(name, None)
        else:
            episodes[name] = after
            if after.raised:
                counts[name] = after.number
    return AlertState(episodes, counts), tuple(events)


def acknowledge(
    state: AlertState,
    kind: AlertKind,
    key: str,
    time_s: float,
    who: str = "",
    rules: Mapping[AlertKind, Rule] = RULES,
) -> tuple[AlertState, tuple[AlertEvent, ...]]:
    """Somebody has seen an open episode: no more reminders, and a latched one may clear. Nothing open: nothing.

    Parameters
    ----------
    state : every episode so far
    kind, key : which episode
    time_s : run time [s]
    who : who has seen it, as they call themselves
    rules : how each kind of alert behaves
    """
    episode = state.episodes.get((kind, key))
    if episode is None or not episode.raised or episode.acknowledged:
        return state, ()
    acknowledged = replace(episode, acknowledged=True)
    event = _event(acknowledged, Phase.ACKNOWLEDGED, time_s, rules)
    if who:
        event = replace(event, message=f"{event.message} Acknowledged by {who}.")
    return AlertState({**state.episodes, (kind, key): acknowledged}, state.counts), (event,)


def closed(
    state: AlertState, time_s: float, rules: Mapping[AlertKind, Rule] = RULES
) -> tuple[AlertState, tuple[AlertEvent, ...]]:
    """End every open episode, whatever its latch, without telling anyone.

    Parameters
    ----------
    state : every episode so far
    time_s : run time [s]
    rules : how each kind of alert behaves

    Returns   the state with nothing open, and one cleared event for each episode that was
    """
    events = tuple(replace(_event(episode, Phase.CLEARED, time_s, rules), announce=False) for episode in state.open())
    return AlertState({}, state.counts), events


def restored(events: Iterable[AlertEvent]) -> AlertState:
    """The state that recorded events leave behind, after a restart: open episodes stay open, as they were."""
    episodes: dict[Name, Episode] = {}
    counts: dict[Name, int] = {}
    for event in events:
        name = (event.kind, event.key)
        episode = episodes.get(name)
        if is_news(event):  # told once and over: nothing of it stays open
            counts[name] = max(event.episode, counts.get(name, 0))
            continue
        if event.phase is Phase.CLEARED:
            episodes.pop(name, None)
        elif event.phase is Phase.RAISED or episode is None:
            fact = Fact(event.kind, event.key, True, text=event.message, severity=event.severity, advice=event.advice)
            counts[name] = max(event.episode, counts.get(name, 0))
            episodes[name] = Episode(fact, event.episode, event.time_s, event.time_s, event.time_s)
        if event.phase is Phase.REMINDED and episode is not None:
            episodes[name] = replace(episode, reminded_s=event.time_s)
        if event.phase is Phase.ESCALATED and episode is not None:
            episodes[name] = replace(episode, escalated=True, reminded_s=event.time_s)
        if event.phase is Phase.ACKNOWLEDGED and name in episodes:
            episodes[name] = replace(episodes[name], acknowledged=True)
    return AlertState(episodes, counts)


def _follow(
    before: Episode | None, fact: Fact | None, count: int, time_s: float, rules: Mapping[AlertKind, Rule]
) -> tuple[Episode | None, list[AlertEvent]]:
    """One condition, one step: its episode afterwards (None: nothing to follow) and what happened."""
    if before is None:
        if fact is None or not fact.active:
            return None, []
        episode = Episode(fact, count + 1, time_s)
    elif fact is None:
        episode = before
    else:
        since_s = before.since_s if fact.active == before.fact.active else time_s
        episode = replace(before, fact=_with_last_words(fact, before.fact), since_s=since_s)
    rule = rules[episode.fact.kind]
    stood_s = time_s - episode.since_s

    if episode.raised_s is None:
        if not episode.fact.active:
            return None, []
        if stood_s < rule.raise_after_s:
            return episode, []
        episode = replace(episode, raised_s=time_s, reminded_s=time_s)
        return episode, [_event(episode, Phase.RAISED, time_s, rules)]

    if not episode.fact.active and stood_s >= rule.clear_after_s and (episode.acknowledged or not rule.latched):
        return None, [_event(episode, Phase.CLEARED, time_s, rules)]
    if episode.acknowledged:
        return episode, []
    if rule.escalate_after_s and not episode.escalated and time_s - episode.raised_s >= rule.escalate_after_s:
        episode = replace(episode, escalated=True, reminded_s=time_s)
        return episode, [_event(episode, Phase.ESCALATED, time_s, rules)]
    if rule.remind_every_s and time_s - episode.reminded_s >= rule.remind_every_s:
        episode = replace(episode, reminded_s=time_s)
        return episode, [_event(episode, Phase.REMINDED, time_s, rules)]
    return episode, []


def _with_last_words(fact: Fact, before: Fact) -> Fact:
    """A fact that says nothing keeps the words of the one before it."""
    if fact.text or fact.number:
        return fact
    return replace(
        before, active=fact.active, severity=fact.severity or before.severity, advice=fact.advice or before.advice
    )


def _severity(fact: Fact, rules: Mapping[AlertKind, Rule]) -> Severity:
    return fact.severity or rules[fact.kind].severity


def _event(episode: Episode, phase: Phase, time_s: float, rules: Mapping[AlertKind, Rule]) -> AlertEvent:
    fact, rule = episode.fact, rules[episode.fact.kind]
    title = rule.title if phase is Phase.CLEARED else episode.title(rules)
    figures = f"{fact.number} ({fact.band})" if fact.number and fact.band else fact.number or fact.band
    said = ". ".join(part.rstrip(".") for part in (fact.text, figures) if part)
    return AlertEvent(
        kind=fact.kind,
        key=fact.key,
        episode=episode.number,
        phase=phase,
        time_s=time_s,
        severity=_severity(fact, rules),
        title=title,
        message=said + "." if said else title + ".",
        advice=fact.advice or f"{rule.meaning} {rule.advice}".strip(),
        announce=phase is not Phase.CLEARED or rule.tells_clear,
        escalated=episode.escalated,
    )
