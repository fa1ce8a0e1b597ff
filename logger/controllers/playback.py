"""A recorded trace read back as if it were a controller, at the pace of a clock."""

import math
from pathlib import Path

import numpy as np

from logger.clock import Clock
from logger.controllers.controller import RawReading
from logger.controllers.link_faults import LinkLost, NoAnswer
from logger.controllers.settings import ControllerSettings, FieldSource, PortSettings
from logger.errors import Fault, InputFault
from logger.history import History, longest_bridge_s
from logger.reading import Quality
from logger.trace_file import read_trace


class Recording:
    """A trace file as a link: it begins to play when it is opened, and plays on over lost polls."""

    def __init__(self, settings: PortSettings, clock: Clock) -> None:
        self.settings = settings
        self._clock = clock
        self._started_s: float | None = None
        self._open = False
        self.histories = read_trace(Path(settings.name)).histories

    @property
    def is_open(self) -> bool:
        """Whether it is playing."""
        return self._open

    def open(self) -> None:
        """Begin to play, or go on."""
        if self._started_s is None:
            self._started_s = self._clock.monotonic_s()
        self._open = True

    def close(self) -> None:
        """Stop handing out readings; the recording's time goes on."""
        self._open = False

    def played_s(self) -> float:
        """How far the recording has played [s]."""
        if not self._open or self._started_s is None:
            raise LinkLost(f"{self.settings.name}: not open")
        return self._clock.monotonic_s() - self._started_s


class PlaybackController:
    """The channels of a recording (a `PolledController`)."""

    def __init__(self, settings: ControllerSettings, recording: Recording) -> None:
        self.settings = settings
        self._recording = recording
        self._histories: list[History] = []
        faults = []
        for channel in settings.channels:
            wanted = channel.source.field if isinstance(channel.source, FieldSource) else ""
            history = recording.histories.get(wanted) or recording.histories.get(wanted.removesuffix("_C"))
            history = history or recording.histories.get(wanted.removesuffix("_F"))
            if history is None:
                known = ", ".join(recording.histories)
                faults.append(Fault(f"{settings.name}.{channel.name}: field", repr(wanted), f"one of: {known}"))
            else:
                self._histories.append(history)
        if faults:
            raise InputFault(faults)

    @property
    def name(self) -> str:
        """Name from the oven file."""
        return self.settings.name

    def ready(self) -> bool:
        """Always."""
        return True

    def close(self) -> None:
        """Nothing of its own to let go of."""

    def read(self) -> list[RawReading]:
        """The newest sample of each channel at this moment of the recording.

        Raises   NoAnswer    the recording is over
        """
        played_s = self._recording.played_s()
        if (
            played_s
            > max(float(history.time_s[-1] - history.time_s[0]) for history in self._histories)
            + self.settings.poll_interval_s
        ):
            raise NoAnswer(f"{self._recording.settings.name}: the recording is over")
        return [
            _sample(channel.name, history, played_s)
            for channel, history in zip(self.settings.channels, self._histories, strict=True)
        ]


def _sample(channel: str, history: History, played_s: float) -> RawReading:
    at = int(np.searchsorted(history.time_s - history.time_s[0], played_s, side="right")) - 1
    if at < 0:
        return RawReading(channel, math.nan, Quality.MISSING, "before its first sample")
    age_s = played_s - float(history.time_s[at] - history.time_s[0])
    temperature_K = float(history.temperature_K[at])
    if math.isnan(temperature_K):
        return RawReading(channel, math.nan, Quality.MISSING, "a blank in the recording")
    if age_s > longest_bridge_s(history.interval_s):
        return RawReading(channel, math.nan, Quality.MISSING, "a gap in the recording")
    return RawReading(channel, temperature_K, Quality.GOOD, f"{temperature_K:.2f} K")
