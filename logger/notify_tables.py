"""The parts of an oven file that say who is told and how: ``[[notify]]``, ``[heartbeat]``, ``[retry]``.

A secret is never written in the file itself: its key ends in ``_env`` (the name of an environment variable that
holds it) or ``_file`` (a file that holds nothing else).
"""

from collections.abc import Sequence
from typing import Annotated, Any, get_type_hints

from logger.alert_rules import AlertKind, Severity
from logger.notify_settings import (
    CHANNEL_KINDS,
    Channel,
    Heartbeat,
    NotifySettings,
    Secret,
)
from logger.quantities import DURATION, Written
from logger.toml_file import Document, Measure, Name, Switch, Table, Text, Whole, either, one_kind_of, one_of, shown
from logger.toml_text import KeyPath

Duration = Annotated[Written | None, Measure(DURATION)]
KINDS: dict[str, type[Channel]] = {each.kind: each for each in CHANNEL_KINDS}
SECRETS = ("url", "address", "authorization", "password")


class NotifyTable(Table):
    """One ``[[notify]]``."""

    kind: Annotated[str | None, one_of(KINDS)] = None
    name: Name | None = None
    least_severity: Annotated[Severity | None, one_kind_of(Severity)] = None
    alerts: list[Annotated[AlertKind, one_kind_of(AlertKind)]] | None = None
    second_person: Switch | None = None
    deadline: Duration = None
    url: Name | None = None
    url_env: Name | None = None
    url_file: Name | None = None
    address_env: Name | None = None
    address_file: Name | None = None
    authorization_env: Name | None = None
    authorization_file: Name | None = None
    password_env: Name | None = None
    password_file: Name | None = None
    host: Name | None = None
    port: Whole | None = None
    sender: Name | None = None
    to: list[Name] | None = None
    security: Annotated[str | None, one_of(("starttls", "tls", "none"))] = None
    user: Text | None = None
    tls: Switch | None = None
    topic: Name | None = None
    client_id: Text | None = None
    command: Name | None = None


class HeartbeatTable(Table):
    """``[heartbeat]``: an address that is visited while all is well, so that someone notices when it stops."""

    url: Name | None = None
    url_env: Name | None = None
    url_file: Name | None = None
    every: Duration = None
    deadline: Duration = None


class RetryTable(Table):
    """``[retry]``: how patiently a message that cannot be delivered is tried again."""

    first: Duration = None
    longest: Duration = None
    give_up_after: Duration = None
    bundle_over: Whole | None = None


NEEDED: dict[str, tuple[tuple[str, str], ...]] = {
    "webhook": (("url", 'an address such as "http://192.0.2.5:8080/oven", or url_env or url_file'),),
    "push": (("address", "address_env or address_file: where the address, which is a secret, is kept"),),
    "mail": (
        ("host", "the mail server"),
        ("sender", "the address mail comes from"),
        ("to", "a list of addresses"),
    ),
    "mqtt": (("host", "the broker"),),
}
"""What each kind of channel cannot do without, and how a message asks for it."""


def notify_settings(
    document: Document, channels: Sequence[NotifyTable], heartbeat: HeartbeatTable | None, retry: RetryTable
) -> NotifySettings:
    """Who is told and how; faults are noted in the document.

    Parameters
    ----------
    document : the oven file they come from
    channels : its ``[[notify]]`` tables
    heartbeat : its ``[heartbeat]``
    retry : its ``[retry]``

    Returns    NotifySettings; what is at fault is left out
    """
    names: list[str] = []
    made: list[Channel] = []
    for number, table in enumerate(channels):
        where: KeyPath = ("notify", number)
        if table.kind is None:
            document.fault((*where, "kind"), "nothing", either([shown(kind) for kind in KINDS]))
            continue
        name = table.name or table.kind
        if name in names:
            document.fault((*where, "name"), f"{shown(name)} a second time", "a name of its own")
            continue
        names.append(name)
        channel = _channel(document, where, table, KINDS[table.kind], name)
        if channel is not None:
            made.append(channel)
    said = {
        "retry_first_s": _seconds(document, ("retry", "first"), retry.first, 0.1, 3600.0),
        "retry_longest_s": _seconds(document, ("retry", "longest"), retry.longest, 1.0, 86_400.0),
        "give_up_after_s": _seconds(document, ("retry", "give_up_after"), retry.give_up_after, 60.0, 2_592_000.0),
        "bundle_over": retry.bundle_over,
    }
    if retry.bundle_over is not None and retry.bundle_over < 1:
        document.fault(("retry", "bundle_over"), str(retry.bundle_over), "1 or more waiting messages")
    settings: dict[str, Any] = {key: value for key, value in said.items() if value is not None}
    return NotifySettings(channels=tuple(made), heartbeat=_heartbeat(document, heartbeat), **settings)


def _channel(document: Document, where: KeyPath, table: NotifyTable, kind: type[Channel], name: str) -> Channel | None:
    """One channel of its kind; None if something it needs is missing."""
    taken = get_type_hints(kind).keys()
    settings: dict[str, Any] = {"name": name}
    for field in type(table).model_fields:
        value = getattr(table, field)
        if value is None or field in ("kind", "name"):
            continue
        owner = field.removesuffix("_env").removesuffix("_file")
        setting = "deadline_s" if field == "deadline" else owner if owner in SECRETS else field
        if setting not in taken:
            usual = sorted(_keys_of(kind))
            document.fault((*where, field), f"a key that {kind.kind} does not take", f"one of {', '.join(usual)}")
        elif field in ("alerts", "to"):
            settings[setting] = tuple(value)
        elif setting not in SECRETS:
            settings[setting] = value.value if isinstance(value, Written) else value
    for secret in SECRETS:
        if secret in taken:
            held = _secret(document, where, table, secret)
            if held is not None:
                settings[secret] = held
    _seconds(document, (*where, "deadline"), table.deadline, 0.5, 300.0)
    if table.port is not None and not 1 <= table.port <= 65535:
        document.fault((*where, "port"), str(table.port), "1 to 65535")
    for address in (*(table.to or ()), *([table.sender] if table.sender else [])):
        if "@" not in address.strip("@"):
            field = "sender" if address == table.sender else "to"
            document.fault((*where, field), shown(address), "a mail address such as name@example.org")
    if table.to == []:
        document.fault((*where, "to"), "an empty list", "at least one mail address")
    missing = [(field, expected) for field, expected in NEEDED.get(kind.kind, ()) if field not in settings]
    for field, expected in missing:
        document.fault((*where, "address_env" if field == "address" else field), "nothing", expected)
    return None if missing else kind(**settings)


def _keys_of(kind: type[Channel]) -> set[str]:
    keys = {"kind"}
    for setting in get_type_hints(kind):
        if setting in SECRETS:
            keys |= {f"{setting}_env", f"{setting}_file"} | ({"url"} if setting == "url" else set())
        elif setting == "deadline_s":
            keys.add("deadline_s")
        else:
            keys.add(setting)
    return keys


def _secret(document: Document, where: KeyPath, table: NotifyTable | HeartbeatTable, name: str) -> str | Secret | None:
    """An address or password under one of its keys: as text (addresses only), or as the place where it is kept."""
    ways = {key: getattr(table, key, None) for key in (name, f"{name}_env", f"{name}_file")}
    given = [key for key, value in ways.items() if value is not None]
    if len(given) > 1:
        document.fault((*where, given[1]), f"{' and '.join(given)} together", "one of them")
    if not given:
        return None
    value = str(ways[given[0]])
    if given[0].endswith("_env"):
        return Secret(environment=value)
    if given[0].endswith("_file"):
        return Secret(file=value)
    if not value.startswith(("http://", "https://")):
        found = "an address of another kind"  # which is not shown: it may hold a token
        document.fault((*where, name), found, "one that begins with http:// or https://")
    return value


def _heartbeat(document: Document, table: HeartbeatTable | None) -> Heartbeat | None:
    if table is None:
        return None
    url = _secret(document, ("heartbeat",), table, "url")
    if url is None:
        document.fault(("heartbeat", "url"), "nothing", "an address, or url_env or url_file")
        return None
    said = {
        "every_s": _seconds(document, ("heartbeat", "every"), table.every, 1.0, 86_400.0),
        "deadline_s": _seconds(document, ("heartbeat", "deadline"), table.deadline, 0.5, 300.0),
    }
    settings: dict[str, Any] = {key: value for key, value in said.items() if value is not None}
    return Heartbeat(url=url, **settings)


def _seconds(document: Document, where: KeyPath, duration: Written | None, low: float, high: float) -> float | None:
    if duration is None:
        return None
    if not low <= duration.value <= high:
        document.fault(where, f"{duration.value:g} s", f"{low:g} to {high:g} s")
    return duration.value
