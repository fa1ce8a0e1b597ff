"""What an oven answered last, with or without a run, and what of it somebody should hear while there is no run."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import isfinite, nan

from logger import alert, run_facts
from logger.alert import Fact
from logger.alert_rules import AlertKind
from logger.controllers.settings import Quantity
from logger.oven_file import OvenSettings
from logger.polling import LinkEvent, LinkState, PollResult
from logger.reading import Quality
from logger.reading_quality import Suspicion
from logger.situation import ChannelNow


@dataclass
class OvenNow:
    """The newest answer of every channel, and which links are lost. Belongs to the oven's thread.

    ``links_lost`` is by the name of the controller, or of the port where that is lost as a whole.
    """

    links_lost: dict[str, LinkEvent] = field(default_factory=dict)
    set_point_K: float = nan
    output_pct: float = nan
    _channels: dict[str, ChannelNow] = field(default_factory=dict)
    _suspicions: dict[str, frozenset[Suspicion]] = field(default_factory=dict)
    _hot: bool = False

    def note(self, brought: PollResult) -> None:
        """Keep what a poller brought."""
        for raw in brought.readings:
            good = raw.quality is Quality.GOOD
            if raw.quantity is Quantity.SET_POINT:
                self.set_point_K = raw.temperature_K if good else nan
            elif raw.quantity is Quantity.OUTPUT:
                self.output_pct = 100.0 * raw.value if good else nan
            elif raw.quantity is Quantity.TEMPERATURE:
                odd = tuple(str(suspicion) for channel, suspicion in brought.suspicions if channel == raw.channel)
                self._channels[raw.channel] = ChannelNow(
                    raw.channel, raw.temperature_K if good else nan, raw.quality, raw.raw, brought.utc_s, odd
                )

    def note_link(self, event: LinkEvent) -> None:
        """Keep what became of a link."""
        name = event.controller or event.port
        if event.state is LinkState.RESTORED:
            self.links_lost.pop(name, None)
        elif event.state is not LinkState.PAUSED:
            self.links_lost[name] = event

    def channels(self, names: Iterable[str]) -> tuple[ChannelNow, ...]:
        """The newest answers of these channels, of those that have answered."""
        return tuple(self._channels[name] for name in names if name in self._channels)

    def keep_only(self, names: Iterable[str]) -> None:
        """Forget the channels that are no longer read."""
        self._channels = {name: self._channels[name] for name in names if name in self._channels}

    def leave_to_run(self) -> None:
        """A run begins that looks after an oven that is too hot."""
        self._hot = False

    def idle_facts(self, brought: PollResult, settings: OvenSettings) -> list[Fact]:
        """Without a run a silent or cold oven is no news; one that is too hot, or heats by itself, is."""
        oven, display, limit_K = settings.name, settings.display, settings.over_temperature_K
        good = [now.temperature_K for now in self._channels.values() if isfinite(now.temperature_K)]
        hottest_K = max(good, default=nan)
        for raw in brought.readings:
            self._suspicions[raw.channel] = frozenset(
                suspicion for channel, suspicion in brought.suspicions if channel == raw.channel
            )
        suspected = run_facts.suspected_facts(oven, self._suspicions, hottest_K, display)
        facts = [fact for fact in suspected if fact.kind is AlertKind.STUCK_RELAY]
        facts.extend(run_facts.alarm_facts(brought.readings))
        if limit_K is not None and good:
            self._hot = alert.holds(hottest_K, limit_K, limit_K - 5.0, self._hot)
            facts.append(run_facts.over_temperature_fact(oven, hottest_K, limit_K, self._hot, display))
        return facts
