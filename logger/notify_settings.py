"""Who is told what, and how: the settings of the notification channels as plain checked values.

A secret (a token, a password, an address that contains one) is never held as text here but as the place where it
is kept, so that it cannot end up in a log, an error or the record by way of a settings value.
"""

from dataclasses import dataclass
from typing import ClassVar

from logger.alert import AlertEvent
from logger.alert_rules import AlertKind, Severity
from logger.errors import Fault, InputFault


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a secret is kept: in an environment variable or in a file, exactly one of them."""

    environment: str = ""
    file: str = ""

    def __post_init__(self) -> None:
        if bool(self.environment) == bool(self.file):
            raise InputFault(
                Fault(
                    "secret",
                    "both places" if self.file else "neither",
                    "the name of an environment variable or of a file",
                )
            )

    def __str__(self) -> str:
        return f"environment variable {self.environment}" if self.environment else f"file {self.file}"


@dataclass(frozen=True, kw_only=True)
class Channel:
    """What every channel has. ``kind`` is the word for it in the oven file.

    ``least_severity`` and ``alerts`` (empty: all) say what it carries; ``second_person`` makes it silent until
    nobody has acknowledged an alert in time. One attempt takes no longer than ``deadline_s``.
    """

    kind: ClassVar[str] = ""

    name: str
    least_severity: Severity = Severity.NEWS
    alerts: tuple[AlertKind, ...] = ()
    second_person: bool = False
    deadline_s: float = 10.0

    def carries(self, event: AlertEvent) -> bool:
        """Whether this channel is told of an event."""
        if not event.announce or (self.second_person and not event.escalated):
            return event.kind is AlertKind.TEST
        if event.kind is AlertKind.TEST:
            return True
        return event.severity.rank >= self.least_severity.rank and (not self.alerts or event.kind in self.alerts)


@dataclass(frozen=True, kw_only=True)
class TerminalChannel(Channel):
    """Lines on the terminal that soaktally runs in."""

    kind = "terminal"


@dataclass(frozen=True, kw_only=True)
class WebhookChannel(Channel):
    """An HTTP POST with a JSON body. Give the address as ``url``, or as a secret where it contains a token."""

    kind = "webhook"

    url: str | Secret
    authorization: Secret | None = None  # whole value of the Authorization header


@dataclass(frozen=True, kw_only=True)
class PushChannel(Channel):
    """Anything the notification library reaches, by its address (always a secret: it contains the token)."""

    kind = "push"

    address: Secret


@dataclass(frozen=True, kw_only=True)
class MailChannel(Channel):
    """Mail through an SMTP server. ``security``: "starttls" (usually port 587), "tls" (465) or "none"."""

    kind = "mail"

    host: str
    sender: str
    to: tuple[str, ...]
    port: int = 587
    security: str = "starttls"
    user: str = ""
    password: Secret | None = None


@dataclass(frozen=True, kw_only=True)
class MqttChannel(Channel):
    """An MQTT broker: alerts, the state of every oven (retained), and a last will for when soaktally is gone."""

    kind = "mqtt"

    host: str
    port: int = 1883
    tls: bool = False
    user: str = ""
    password: Secret | None = None
    topic: str = "soaktally"
    client_id: str = ""


@dataclass(frozen=True, kw_only=True)
class SoundChannel(Channel):
    """A sound from this machine. ``command`` replaces the built-in tone; words are split at spaces."""

    kind = "sound"

    command: str = ""


@dataclass(frozen=True, kw_only=True)
class DesktopChannel(Channel):
    """A message on this machine's desktop."""

    kind = "desktop"


CHANNEL_KINDS: tuple[type[Channel], ...] = (
    TerminalChannel,
    WebhookChannel,
    PushChannel,
    MailChannel,
    MqttChannel,
    SoundChannel,
    DesktopChannel,
)
"""Every kind of channel there is."""


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """An address that is visited every ``every_s`` [s] while all is well, so that someone notices when it stops."""

    url: str | Secret
    every_s: float = 60.0
    deadline_s: float = 10.0


@dataclass(frozen=True, slots=True)
class NotifySettings:
    """Every channel, and how patiently a failing one is tried again.

    The first retry comes after ``retry_first_s``, each later one after twice as long, up to ``retry_longest_s``;
    a message is given up after ``give_up_after_s``. More than ``bundle_over`` waiting messages go out as one.
    """

    channels: tuple[Channel, ...] = ()
    heartbeat: Heartbeat | None = None
    retry_first_s: float = 5.0
    retry_longest_s: float = 300.0
    give_up_after_s: float = 172_800.0
    bundle_over: int = 5

    def __post_init__(self) -> None:
        names = [channel.name for channel in self.channels]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise InputFault(
                [Fault("notification channels", f"the name {name} twice", "a name each") for name in twice]
            )
