"""The gate in front of every request: which host was asked for, who asks, whether a page of ours sent it.

In this order: the Host header (a foreign name that resolves to this machine is turned away), the size of the body, the
session, the part it has, and for everything that changes something the form token. What leaves carries a strict
content policy: no script and no style but our own files.
"""

import ipaddress
import json
import time
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.page.access import SESSION_S, Passwords, Role, Session, Sessions

TOKEN_HEADER: Final = "x-form-token"
SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
LARGEST_BODY: Final = 64 * 1024

OPEN_PATHS: Final = frozenset({"/sign-in", "/api/session", "/api/openapi.json", "/favicon.ico"})
"""What is answered without a session, besides the static files."""

HEADERS: Final = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), interest-cohort=()",
}

SLASH: Final = "\x1f"
"""Stands for a slash inside a part of a path while the request is on its way to its handler."""

WRITES_PER_MINUTE: Final = 60


class Guard:
    """ASGI middleware around the whole page."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        passwords: Passwords,
        cookie: str,
        hosts: frozenset[str],
        any_address: bool,
        large: dict[str, int],
    ) -> None:
        self._app = app
        self._cookie = cookie
        self._passwords = passwords
        self._sessions = Sessions(passwords.secret)
        self._hosts = hosts
        self._any_address = any_address
        self._large = large
        self._writes: dict[str, list[float]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or answer it here."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no other way in
        scope["path"] = _one_part_each(scope)
        request = Request(scope, receive)
        send = _with_headers(send, scope["path"])
        refusal = self._refuse_host(request) or self._refuse_body(request)
        if refusal is None:
            session, cookie = self._session(request)
            scope["session"], scope["sessions"] = session, self._sessions
            if cookie is not None:
                send = _with_cookie(send, self._cookie, cookie, scope["scheme"] == "https")
            refusal = self._refuse_session(request, session)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        await self._app(scope, _limited(receive, self._limit(request)), send)

    def _refuse_host(self, request: Request) -> Response | None:
        host = host_name(request.headers.get("host", ""))
        if host in self._hosts or (self._any_address and _is_address(host)):
            return None
        return refused(421, "host", f'"{host[:80]}"', "a name of this machine; others are given with --page-name")

    def _limit(self, request: Request) -> int:
        ending = request.url.path.rpartition("/")[2]
        return self._large.get(ending, LARGEST_BODY)

    def _refuse_body(self, request: Request) -> Response | None:
        length = request.headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit():
            return refused(400, "content-length", f'"{length[:20]}"', "a number of bytes")
        if int(length) > self._limit(request):
            return refused(413, "request", f"{int(length)} bytes", f"at most {self._limit(request)}")
        return None

    def _session(self, request: Request) -> tuple[Session | None, str | None]:
        """The session of a request and, where a new one was begun for it, its cookie."""
        now_utc_s = time.time()
        session = self._sessions.of_cookie(_cookie(request, self._cookie), now_utc_s)
        if session is not None or self._passwords.needed:
            return session, None
        return self._sessions.begin(Role.OWNER, now_utc_s)

    def _refuse_session(self, request: Request, session: Session | None) -> Response | None:
        path = request.url.path
        changing = request.method not in SAFE_METHODS
        if session is None and path not in OPEN_PATHS and not path.startswith("/static/"):
            if path.startswith("/api/"):
                return refused(401, "session", "nobody signed in", "POST /api/session with the password")
            return RedirectResponse("/sign-in", 303)
        if not changing:
            return None
        if not _same_origin(request):
            return refused(403, "origin", "another site", "a page of this one")
        if session is None:
            return None  # signing in; guessing is slowed down there
        token = request.headers.get(TOKEN_HEADER, "")
        if not self._sessions.is_form_token(session, token):
            return refused(403, "form token", "none or an old one", f"{TOKEN_HEADER}, as GET /api/session says")
        if session.role is not Role.OWNER and path != "/api/session":
            return refused(403, "session", "a guest, who may only look", "the owner's password")
        return self._refuse_haste(session)

    def _refuse_haste(self, session: Session) -> Response | None:
        now_s = time.monotonic()
        for name in [name for name, times in self._writes.items() if now_s - times[-1] > 60.0]:
            del self._writes[name]
        times = [at_s for at_s in self._writes.get(session.name, []) if now_s - at_s < 60.0]
        if len(times) >= WRITES_PER_MINUTE:
            answer = refused(429, "requests", f"{len(times)} in a minute", f"at most {WRITES_PER_MINUTE}")
            answer.headers["retry-after"] = "30"
            return answer
        self._writes[session.name] = [*times, now_s]
        return None


def _one_part_each(scope: Scope) -> str:
    """The path with a slash inside a name (an oven "north/east") kept apart from the slashes between the parts."""
    raw: bytes = scope.get("raw_path") or scope["path"].encode()
    parts = raw.partition(b"?")[0].decode("ascii", "replace").split("/")
    return "/".join(unquote(part).replace("/", SLASH) for part in parts)


def part_of(request: Request, name: str) -> str:
    """A part of the path as it was meant."""
    return str(request.path_params[name]).replace(SLASH, "/")


def refused(status: int, where: str, found: str, expected: str) -> Response:
    """A refusal in the one shape all of them have."""
    return JSONResponse({"faults": [{"where": where, "found": found, "expected": expected}]}, status)


def host_name(header: str) -> str:
    """The host of a Host header without its port, in small letters."""
    try:
        return (urlsplit(f"//{header}").hostname or "").rstrip(".")
    except ValueError:
        return ""


def _is_address(host: str) -> bool:
    """A bare network address cannot be made to point elsewhere by a name server."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _cookie(request: Request, name: str) -> str:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(request.headers.get("cookie", ""))
    except CookieError:
        return ""
    return jar[name].value if name in jar else ""


def _same_origin(request: Request) -> bool:
    """Whether the browser says that a page of ours sent this; a program that is no browser says nothing."""
    site = request.headers.get("sec-fetch-site")
    if site not in (None, "same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    if origin is None:
        return True
    return urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()


def cookie_words(name: str, value: str, secure: bool, age_s: float) -> str:
    """The Set-Cookie header of a session."""
    return f"{name}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={age_s:.0f}{'; Secure' if secure else ''}"


def _with_cookie(send: Send, name: str, cookie: str, secure: bool) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            words = cookie_words(name, cookie, secure, SESSION_S)
            names = {name for name, _ in message["headers"]}
            if b"set-cookie" not in names:
                message["headers"] = [*message["headers"], (b"set-cookie", words.encode())]
        await send(message)

    return sending


def _with_headers(send: Send, path: str) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name for name, _ in message["headers"]}
            more = [(name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in there]
            if b"cache-control" not in there and not path.startswith("/static/"):
                more.append((b"cache-control", b"no-store"))
            message["headers"] = [*message["headers"], *more]
        await send(message)

    return sending


class TooLarge(Exception):
    """A body that goes on past its limit."""


def _limited(receive: Receive, limit: int) -> Callable[[], Awaitable[Message]]:
    """A body that says no length is cut off where it becomes too long."""
    taken = 0

    async def receiving() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > limit:
            raise TooLarge
        return message

    return receiving


def body_of(content: bytes) -> Any:
    """The JSON of a body. Raises ValueError."""
    return json.loads(content.decode("utf-8"))
