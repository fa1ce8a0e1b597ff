"""What the page says of a watched oven: one object an oven, and a feed of what changed in it.

The words are those of `logger.views.snapshot`; nothing is worked out here. Each object is made once per reader's units
and zone, however many pages are open.
"""

import asyncio
import json
import threading
import time
from collections import OrderedDict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import asdict
from typing import Any, Final

from logger.alert_rules import AlertKind, Severity
from logger.board import Board, Pinned
from logger.page.reader import Reader
from logger.situation import IdleSituation, Situation
from logger.views.cautions import Moment, caution
from logger.views.idle_words import hottest_K, idle_facts, idle_headline, idle_severity
from logger.views.run_views import snapshot_of
from logger.views.snapshot import Snapshot, aim_lines, facts, glance, headline, worst
from logger.views.wording import clock_words, date_words, temperature_words, unbroken, zone_words

UPDATE_EVERY_S: Final = 1.0
"""A page is told of changes at most this often [s]."""

PULSE_EVERY_S: Final = 5.0
"""A page hears at least this often [s] that the connection stands, and how old what it shows is."""

SILENT_AFTER_S: Final = 20.0
"""A watch that has pinned nothing for this long [s of real time] does not run: it pins once a second."""

KEPT_OBJECTS: Final = 64

CAUTION_OF: Final = {
    AlertKind.NEAR_MELTING: Moment.NEAR_MELTING,
    AlertKind.MELTING: Moment.NEAR_MELTING,
    AlertKind.OVER_TEMPERATURE: Moment.LEAVING,
    AlertKind.STUCK_RELAY: Moment.LEAVING,
    AlertKind.TARGET_REACHED: Moment.OPENING_HOT,
    AlertKind.TARGET_SOON: Moment.OPENING_HOT,
}
"""Alerts that make somebody act at the oven, and the caution that belongs to it."""

OF_THE_DAEMON: Final = frozenset({AlertKind.RECORD_TROUBLE, AlertKind.CHANNEL_TROUBLE})
"""Alerts of the watching process itself: they are not dated in the time of a run."""

BRIEF_KEYS: Final = ("oven", "run", "name", "state", "severity", "sign", "headline", "glance", "old", "number", "units")


def oven_object(pinned: Pinned, reader: Reader) -> dict[str, Any]:
    """Everything the page says of one oven, in the reader's words and units."""
    if isinstance(pinned.situation, IdleSituation):
        return idle_object(pinned, pinned.situation, reader)
    situation = reader.of(pinned.situation)
    now = snapshot_of(situation, reader.zone)
    severity = worst(now)
    units, trail = now.units, situation.state.trail
    depth = now.carbon.cases[0].depth_m if now.carbon and now.carbon.cases else None
    return {
        "oven": pinned.oven,
        "run": situation.run,
        "name": situation.name,
        "number": pinned.number,
        "state": "finished" if situation.finished else "watching",
        "severity": "well" if severity is None else str(severity),
        "sign": sign_words(now, severity),
        "headline": unbroken(headline(now)),
        "glance": {name: unbroken(words) for name, words in asdict(glance(now)).items()},
        "old": now.is_stale,
        "facts": [
            [fact.label, unbroken(fact.value), unbroken(fact.note), "" if fact.severity is None else str(fact.severity)]
            for fact in facts(now)
        ],
        "aims": [
            {
                "name": line.name,
                "value": unbroken(line.value),
                "outcome": unbroken(line.outcome),
                "share": None if line.share is None else round(line.share, 3),
                "severity": "" if line.severity is None else str(line.severity),
            }
            for line in aim_lines(now)
        ],
        "alerts": [
            {
                "kind": str(episode.fact.kind),
                "key": episode.fact.key,
                "episode": episode.number,
                "words": unbroken(said.words),
                "severity": str(said.severity),
                "since": "" if episode.fact.kind in OF_THE_DAEMON else now.clock(said.since_s),
                "acknowledged": said.acknowledged,
                "caution": caution(CAUTION_OF[episode.fact.kind]) if episode.fact.kind in CAUTION_OF else "",
            }
            for episode, said in zip(situation.open_alerts, now.alerts, strict=True)
            if episode.raised
        ],
        "warnings": [unbroken(words) for words in now.warnings],
        "when": _when(now),
        "clock": situation.clock,
        "time_s": round(now.time_s, 1),
        "start_utc_s": None if now.now_utc_s is None else round(now.now_utc_s - now.time_s, 3),
        "units": {"temperature": units.temperature, "length": units.length},
        "point": {
            "oven": _rounded(units.temperature_from_kelvin, now.oven_K, 1),
            "steel": _rounded(units.temperature_from_kelvin, now.steel_K, 1),
            "set_point": _rounded(units.temperature_from_kelvin, now.setpoint_K, 1),
            "depth": _rounded(units.length_from_metres, depth, 5),
        },
        "begun": bool(trail),
    }


def idle_object(pinned: Pinned, idle: IdleSituation, reader: Reader) -> dict[str, Any]:
    """The same of an oven without a run."""
    units = reader.units(idle.display)
    severity = idle_severity(idle)
    heat = temperature_words(hottest_K(idle), units)
    zone = reader.zone
    when = (
        f"{clock_words(idle.now_utc_s, zone)}, {date_words(idle.now_utc_s, zone)}, {zone_words(idle.now_utc_s, zone)}"
    )
    return {
        "oven": pinned.oven,
        "run": "",
        "name": "no run",
        "number": pinned.number,
        "state": "idle",
        "severity": "idle" if severity is None else str(severity),
        "sign": {None: "Waiting", Severity.WARNING: "Look", Severity.DANGER: "Danger"}.get(severity, "Waiting"),
        "headline": unbroken(idle_headline(idle, units)),
        "glance": {"heat": unbroken(heat), "far": "no run", "until": "no run"},
        "old": False,
        "facts": [
            [fact.label, unbroken(fact.value), unbroken(fact.note), "" if fact.severity is None else str(fact.severity)]
            for fact in idle_facts(idle, units)
        ],
        "aims": [],
        "alerts": [
            {
                "kind": str(episode.fact.kind),
                "key": episode.fact.key,
                "episode": episode.number,
                "words": unbroken(episode.words),
                "severity": str(episode.severity),
                "since": "",
                "acknowledged": episode.acknowledged,
                "caution": caution(CAUTION_OF[episode.fact.kind]) if episode.fact.kind in CAUTION_OF else "",
            }
            for episode in idle.open_alerts
            if episode.raised
        ],
        "warnings": [f"No connection: {why}" for why in idle.links_lost],
        "when": when,
        "clock": idle.clock,
        "units": {"temperature": units.temperature, "length": units.length},
        "last_run": idle.last_run,
        "begun": False,
    }


def sign_words(now: Snapshot, severity: Severity | None) -> str:
    """One or two words beside the sign, so that its colour and shape are not all there is."""
    if severity is Severity.DANGER:
        return "Danger"
    if now.is_stale:
        return "Old"
    if severity is Severity.WARNING:
        return "Look"
    return "Finished" if now.finished else "All well"


def _when(now: Snapshot) -> str:
    """The moment all this is true of, with date and zone."""
    if now.now_utc_s is None:
        return ""
    date, zone = date_words(now.now_utc_s, now.zone), zone_words(now.now_utc_s, now.zone)
    return f"{clock_words(now.now_utc_s, now.zone)}, {date}, {zone}"


def _rounded(convert: Any, value: float | None, decimals: int) -> float | None:
    if value is None or value != value:  # NaN is not equal to itself
        return None
    return round(float(convert(value)), decimals)


def changes(before: dict[str, Any], after: dict[str, Any]) -> dict[str, Any]:
    """What differs between two objects of one oven, always with its name."""
    return {
        "oven": after["oven"],
        **{key: value for key, value in after.items() if key not in before or before[key] != value},
    }


class Feed:
    """Wakes every open page when something new is pinned, from a thread of its own that waits on the board."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Event] = set()
        self._stopping = threading.Event()
        self._objects: OrderedDict[tuple[str, int, Reader], dict[str, Any]] = OrderedDict()
        self._seen: dict[str, tuple[int, float]] = {}
        self._thread = threading.Thread(target=self._watch_board, name="page feed", daemon=True)

    def start(self, loop: asyncio.AbstractEventLoop) -> None:
        """Begin to listen to the board."""
        self._loop = loop
        self._thread.start()

    def stop(self) -> None:
        """Wake every page a last time; their streams end."""
        self._stopping.set()
        self._wake()

    def object_of(self, pinned: Pinned, reader: Reader) -> dict[str, Any]:
        """An oven's object for a reader, made once for everybody."""
        key = (pinned.oven, pinned.number, reader)
        found = self._objects.get(key)
        if found is None:
            found = self._objects[key] = oven_object(pinned, reader)
            while len(self._objects) > KEPT_OBJECTS:
                self._objects.popitem(last=False)
        return found

    def age_s(self, pinned: Pinned) -> float:
        """For how long [s of real time] nothing newer has been pinned for this oven, as far as this feed has seen."""
        now_s = time.monotonic()
        number, since_s = self._seen.get(pinned.oven, (-1, now_s))
        if number != pinned.number:
            since_s = now_s
            self._seen[pinned.oven] = (pinned.number, now_s)
        return now_s - since_s

    async def events(self, oven: str | None, reader: Reader) -> AsyncIterator[dict[str, str]]:
        """What a page hears: everything once, then what changes, and a pulse.

        Parameters
        ----------
        oven : the one whose every detail is wanted; None: all of them in brief
        reader : whose units and zone
        """
        told: dict[str, dict[str, Any]] | None = None
        pulse_s = time.monotonic()
        async with self._listening() as news:
            while not self._stopping.is_set():
                news.clear()
                ovens = self.ovens(oven, reader)
                if told is None or told.keys() != ovens.keys():
                    yield _event("whole", {"ovens": list(ovens.values())})
                else:
                    for name, after in ovens.items():
                        different = changes(told[name], after)
                        if different.keys() - {"oven", "number"}:
                            yield _event("change", different)
                told = ovens
                if time.monotonic() >= pulse_s:
                    pulse_s = time.monotonic() + PULSE_EVERY_S
                    yield _event("pulse", {"silent": self.silent()})
                await asyncio.sleep(UPDATE_EVERY_S)
                try:
                    await asyncio.wait_for(news.wait(), max(pulse_s - time.monotonic(), 0.01))
                except TimeoutError:
                    continue

    def ovens(self, oven: str | None, reader: Reader) -> dict[str, dict[str, Any]]:
        """The objects of one oven or, in brief, of all, by name."""
        pinned = self._board.all()
        if oven is None:
            return {one.oven: {key: self.object_of(one, reader)[key] for key in BRIEF_KEYS} for one in pinned}
        return {one.oven: self.object_of(one, reader) for one in pinned if one.oven == oven}

    def silent(self) -> dict[str, int]:
        """Ovens whose watch has said nothing for too long, and for how long [s]."""
        ages = {one.oven: self.age_s(one) for one in self._board.all() if not _ended(one)}
        return {oven: round(age_s) for oven, age_s in ages.items() if age_s > SILENT_AFTER_S}

    @asynccontextmanager
    async def _listening(self) -> AsyncIterator[asyncio.Event]:
        news = asyncio.Event()
        self._listeners.add(news)
        try:
            yield news
        finally:
            self._listeners.discard(news)

    def _watch_board(self) -> None:
        number = 0
        while not self._stopping.is_set():
            newest = self._board.wait(number, 1.0)
            if newest != number:
                number = newest
                self._wake()
                self._stopping.wait(0.2)  # several ovens pin at nearly the same moment: wake the pages once

    def _wake(self) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake_listeners)

    def _wake_listeners(self) -> None:
        for news in self._listeners:
            news.set()


def _ended(pinned: Pinned) -> bool:
    return isinstance(pinned.situation, Situation) and pinned.situation.finished


def _event(kind: str, data: dict[str, Any]) -> dict[str, str]:
    return {"event": kind, "data": json.dumps(data, ensure_ascii=False, separators=(",", ":"))}
