"""The alert book: what is being alerted about one thing (a run, an idle oven, the daemon itself), kept and handed on.

Every event goes into the record first and then to whoever carries it out. A record that cannot be written never stops
an alert: the event waits in memory with everything else, and is announced all the same.
"""

import logging
from collections.abc import Callable, Iterable

from logger import alert
from logger.alert import AlertEvent, AlertState, Episode, Fact
from logger.alert_rules import AlertKind
from logger.errors import OutsideFault
from logger.record import RecordWriter
from logger.record_operations import new_id

log = logging.getLogger("soaktally.alerts")

Announce = Callable[[str, AlertEvent, float, str | None, str | None], None]
"""Called with the alert's id in the record, the event, the wall clock [s], and the names of oven and run, if any."""


class AlertBook:
    """The alerts of one run, one idle oven or the daemon. Belongs to one thread; ``state`` may be read from any.

    Parameters
    ----------
    record : the record's one writer
    announce : called for every event once it is recorded
    oven, run : what the alerts are about; None where they are about something wider
    """

    def __init__(
        self, record: RecordWriter, announce: Announce, oven: str | None = None, run: str | None = None
    ) -> None:
        self.state = AlertState()
        self.oven, self.run = oven, run
        self._record = record
        self._announce = announce

    def restore(self, events: Iterable[AlertEvent]) -> None:
        """Begin with what recorded events left open."""
        self.state = alert.restored(events)

    def judge(self, facts: Iterable[Fact], time_s: float, utc_s: float) -> None:
        """Take in the facts of a moment [s]; what happened is recorded and announced."""
        self.state, events = alert.advance(self.state, facts, time_s)
        self._tell(events, utc_s)
        over = [Fact(event.kind, event.key, active=False) for event in events if alert.is_news(event)]
        if over:
            self.state, _ = alert.advance(self.state, over, time_s)

    def acknowledge(self, kind: AlertKind, key: str, time_s: float, utc_s: float, who: str = "") -> bool:
        """Somebody has seen an open alert; False where it is not open or was acknowledged before."""
        self.state, events = alert.acknowledge(self.state, kind, key, time_s, who)
        self._tell(events, utc_s)
        return bool(events)

    def close(self, time_s: float, utc_s: float) -> None:
        """End every open episode without telling anyone: somebody else looks after it from now on."""
        self.state, events = alert.closed(self.state, time_s)
        self._tell(events, utc_s)

    def open(self) -> tuple[Episode, ...]:
        """The open episodes, the most serious first."""
        return self.state.open()

    def _tell(self, events: Iterable[AlertEvent], utc_s: float) -> None:
        for event in events:
            name = new_id()
            about = f"oven {self.oven}, " if self.oven else ""
            log.info("%s%s: %s. %s", about, event.phase, event.title, event.message)
            try:
                self._record.append_alert(event, utc_s=utc_s, oven=self.oven, run=self.run, id=name)
            except OutsideFault as fault:
                log.error("%s: %s (waits in memory): %s", event.phase, event.title, fault)
            self._announce(name, event, utc_s, self.oven, self.run)
