"""The ways a message leaves the machine. Each sender makes one attempt: it returns when the other side has taken the
message and raises `OutsideFault` when it has not. Retrying, waiting and remembering are `notify`'s business.
"""

import http.client
import json
import os
import smtplib
import socket
import ssl
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path
from typing import IO, Any, Final, Protocol
from urllib.parse import unquote, urlsplit

from logger.alert_rules import Severity
from logger.errors import Fault, InputFault, OutsideFault
from logger.notify_settings import MailChannel, Secret, WebhookChannel


@dataclass(frozen=True, slots=True)
class Message:
    """What a channel carries: one alert event, or several bundled, in words and as values.

    ``id`` is the same at every attempt, so that a receiver can recognise a message that came twice.
    """

    id: str
    oven: str
    run: str
    kind: str
    key: str
    phase: str
    severity: str
    title: str
    text: str
    advice: str
    utc_s: float
    time_s: float
    episode: int = 1
    count: int = 1

    @property
    def headline(self) -> str:
        """One line: which oven, what, and what has become of it."""
        phase = {"raised": "", "reminded": "still: ", "escalated": "nobody has answered: "}.get(
            self.phase, f"{self.phase}: "
        )
        oven = f"{self.oven}: " if self.oven else ""
        return f"{oven}{phase}{self.title}"

    @property
    def body(self) -> str:
        """Everything a person needs, in a few lines."""
        lines = [self.text]
        if self.advice and self.phase not in ("acknowledged", "cleared"):
            lines += ["", self.advice]
        about = [f"run {self.run}"] if self.run else []
        about.append(datetime.fromtimestamp(self.utc_s, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z"))
        return "\n".join([*lines, "", ", ".join(about)])

    def values(self) -> dict[str, Any]:
        """The message as plain values for programs."""
        utc = datetime.fromtimestamp(self.utc_s, UTC).isoformat(timespec="seconds")
        return {**asdict(self), "headline": self.headline, "utc": utc}


class Sender(Protocol):
    """One way out. Used by one thread at a time."""

    def send(self, message: Message, deadline_s: float) -> None:
        """Hand over one message within the deadline, or raise OutsideFault."""
        ...

    def close(self) -> None:
        """Let go of connections."""
        ...


# --------------------------------------------------------------------------------------------------------------------
# Secrets


def reveal(secret: str | Secret | None) -> str:
    """The text of a secret, from where it is kept; plain text stays as it is, None is empty.

    Raises   OutsideFault   not set, not readable, empty; names the place and never the content
    """
    if secret is None or isinstance(secret, str):
        return secret or ""
    if secret.environment:
        text = os.environ.get(secret.environment, "")
        if not text.strip():
            raise OutsideFault(f"{secret}: not set; set it where soaktally is started")
        return text.strip()
    try:
        text = Path(secret.file).expanduser().read_text(encoding="utf-8").strip()
    except (OSError, UnicodeError) as error:
        raise OutsideFault(f"{secret}: cannot be read ({_words(error)})") from None
    if not text:
        raise OutsideFault(f"{secret}: is empty")
    return text


SHORTEST_REDACTED: Final = 4
"""Parts of a secret shorter than this are not blanked on their own: they would blank half the sentence."""


def redacted(text: str, secrets: Mapping[str, str] | tuple[str, ...] | list[str]) -> str:
    """A text with every secret, and every part of a secret address that tells something, blanked out."""
    parts: set[str] = set()
    for secret in secrets:
        if not secret:
            continue
        parts.add(secret)
        if "://" in secret:
            address = urlsplit(secret)
            userinfo = address.netloc.rpartition("@")[0]
            pieces = [*userinfo.split(":"), *address.path.split("/"), address.query, *address.query.split("&")]
            pieces += [value.partition("=")[2] for value in address.query.split("&")]
            parts.update(piece for piece in pieces if len(piece) >= SHORTEST_REDACTED)
            parts.update(unquote(piece) for piece in pieces if len(piece) >= SHORTEST_REDACTED)
    for part in sorted(parts, key=len, reverse=True):
        text = text.replace(part, "…")
    return text


# --------------------------------------------------------------------------------------------------------------------
# A deadline for the whole of an attempt


@contextmanager
def hung_up_after(deadline_s: float, sockets: Callable[[], socket.socket | None]) -> Iterator[None]:
    """Shut the socket down when the deadline passes: a socket's own timeout only limits each single wait.

    A server that sends one byte now and then would otherwise hold an attempt for ever.
    """

    def hang_up() -> None:
        passed.set()
        with suppress(OSError):
            if (open_socket := sockets()) is not None:
                open_socket.shutdown(socket.SHUT_RDWR)

    passed = threading.Event()
    timer = threading.Timer(deadline_s, hang_up)
    timer.daemon = True
    timer.start()
    try:
        yield
    except (OSError, http.client.HTTPException, smtplib.SMTPException) as error:
        if passed.is_set() or isinstance(error, TimeoutError):
            raise OutsideFault(f"no complete answer in {deadline_s:g} s") from None
        raise
    else:
        if passed.is_set():  # an answer cut short can look like a whole one
            raise OutsideFault(f"no complete answer in {deadline_s:g} s")
    finally:
        timer.cancel()


def _words(error: BaseException) -> str:
    """What an exception says, in one line of words."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted: {error.verify_message}"
    if isinstance(error, socket.gaierror):
        return "no such host"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return " ".join(str(error).split()) or type(error).__name__


# --------------------------------------------------------------------------------------------------------------------
# Senders


class TerminalSender:
    """Writes messages as lines, to standard error unless told otherwise."""

    def __init__(self, stream: IO[str] | None = None) -> None:
        self._stream = stream

    def send(self, message: Message, deadline_s: float) -> None:
        """Write one message."""
        stream = self._stream or sys.stderr
        mark = {Severity.DANGER: "!!", Severity.WARNING: "! "}.get(Severity(message.severity), "  ")
        indent = "\n" + " " * 12
        clock = datetime.fromtimestamp(message.utc_s, UTC).astimezone().strftime("%H:%M:%S")
        lines = [f"{clock} {mark} {message.headline}", message.text]
        if message.advice and message.phase in ("raised", "escalated"):
            lines.append(message.advice)
        try:
            bell = "\a" if message.severity != Severity.NEWS and stream.isatty() else ""
            stream.write(bell + indent.join(lines) + "\n")
            stream.flush()
        except (OSError, ValueError) as error:
            raise OutsideFault(f"the terminal is gone ({_words(error)})") from None

    def close(self) -> None:
        """Nothing to let go of."""


def post(url: str, body: bytes, headers: Mapping[str, str], deadline_s: float, method: str = "POST") -> None:
    """One HTTP request that must be answered with a success within a deadline.

    Raises   InputFault     not an http or https address
             OutsideFault   not reached, refused, or not answered in time; names the host, never the rest
    """
    try:
        address = urlsplit(url)
        host, port = address.hostname or "", address.port
    except ValueError:
        host, port, address = "", None, urlsplit("")
    if address.scheme not in ("http", "https") or not host:
        raise InputFault(Fault("web address", "something else", "http:// or https://, a host, and a path"))
    connection: http.client.HTTPConnection
    if address.scheme == "https":
        connection = http.client.HTTPSConnection(host, port, timeout=deadline_s, context=ssl.create_default_context())
    else:
        connection = http.client.HTTPConnection(host, port, timeout=deadline_s)
    target = (address.path or "/") + (f"?{address.query}" if address.query else "")
    try:
        with hung_up_after(deadline_s, lambda: connection.sock):
            connection.request(method, target, body, {"User-Agent": "soaktally", **headers})
            with connection.getresponse() as answer:
                status, reason = answer.status, answer.reason
    except OutsideFault as fault:
        raise OutsideFault(f"{host}: {fault}") from None
    except (OSError, http.client.HTTPException, UnicodeError) as error:
        raise OutsideFault(f"{host}: {_words(error)}") from None
    finally:
        connection.close()
    if not 200 <= status < 300:
        raise OutsideFault(f"{host}: answers {status} {reason}".rstrip())


class WebhookSender:
    """Posts a message as a JSON object."""

    def __init__(self, settings: WebhookChannel) -> None:
        self._settings = settings

    def send(self, message: Message, deadline_s: float) -> None:
        """Post one message."""
        headers = {"Content-Type": "application/json"}
        if self._settings.authorization is not None:
            headers["Authorization"] = reveal(self._settings.authorization)
        body = json.dumps(message.values(), ensure_ascii=False).encode()
        post(reveal(self._settings.url), body, headers, deadline_s)

    def close(self) -> None:
        """Nothing to let go of: every message has its own connection."""


class MailSender:
    """Sends a message as plain-text mail."""

    def __init__(self, settings: MailChannel) -> None:
        self._settings = settings

    def send(self, message: Message, deadline_s: float) -> None:
        """Send one message to everyone on the list."""
        settings = self._settings
        mail = EmailMessage()
        mail["Subject"] = " ".join(message.headline.split())
        mail["From"] = settings.sender
        mail["To"] = ", ".join(settings.to)
        mail["Date"] = datetime.fromtimestamp(message.utc_s, UTC)
        mail["Message-ID"] = f"<{message.id}@soaktally.invalid>"
        if message.severity == Severity.DANGER:
            mail["X-Priority"] = "1"
        mail.set_content(message.body)
        server: smtplib.SMTP | None = None
        try:
            with hung_up_after(deadline_s, lambda: server.sock if server is not None else None):
                if settings.security == "tls":
                    context = ssl.create_default_context()
                    server = smtplib.SMTP_SSL(timeout=deadline_s, context=context)
                else:
                    server = smtplib.SMTP(timeout=deadline_s)
                server._host = settings.host  # type: ignore[attr-defined] # what starttls checks the certificate for
                server.connect(settings.host, settings.port)
                if settings.security == "starttls":
                    server.starttls(context=ssl.create_default_context())
                if settings.user:
                    server.login(settings.user, reveal(settings.password))
                server.send_message(mail)
                with suppress(smtplib.SMTPException, OSError):
                    server.quit()
        except OutsideFault as fault:
            raise OutsideFault(f"{settings.host}: {fault}") from None
        except smtplib.SMTPAuthenticationError as error:
            raise OutsideFault(f"{settings.host}: refuses user or password ({error.smtp_code})") from None
        except smtplib.SMTPRecipientsRefused as error:
            refused = ", ".join(sorted(error.recipients))
            raise OutsideFault(f"{settings.host}: does not take mail for {refused}") from None
        except (OSError, smtplib.SMTPException) as error:
            raise OutsideFault(f"{settings.host}: {_words(error)}") from None
        finally:
            if server is not None:
                server.close()

    def close(self) -> None:
        """Nothing to let go of: every message has its own connection."""
