"""Who may use the page: passwords kept as scrypt hashes, signed session cookies, a limit on guessing.

Nothing here knows of HTTP. A page that listens on its own machine alone needs no password and gives everyone there the
owner's part; one that is opened to the network needs the password file that ``soaktally page-password`` writes.
"""

import hashlib
import hmac
import json
import os
import secrets
import stat
from base64 import b64decode, b64encode
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from logger.errors import Fault, InputFault, OutsideFault

SCRYPT_N: Final = 2**15
SCRYPT_R: Final = 8
SCRYPT_P: Final = 1
"""Cost of one guess: 32 MB and about a tenth of a second (RFC 7914; the memory is what makes guessing dear)."""

SHORTEST_PASSWORD: Final = 8
LONGEST_PASSWORD: Final = 200
SESSION_S: Final = 30 * 24 * 3600.0
"""A phone stays signed in for a month."""

FREE_GUESSES: Final = 5
FIRST_WAIT_S: Final = 2.0
LONGEST_WAIT_S: Final = 300.0
FORGET_AFTER_S: Final = 3600.0
MOST_FOLLOWED: Final = 1000


class Role(StrEnum):
    """What somebody may do: the owner everything the page can, a guest only look."""

    OWNER = "owner"
    GUEST = "guest"


@dataclass(frozen=True, slots=True)
class HashedPassword:
    """A password as it is kept: scrypt of it with its own salt."""

    salt: bytes
    hashed: bytes

    @staticmethod
    def of(password: str) -> "HashedPassword":
        """Hash a new password.

        Raises   InputFault   too short or too long
        """
        if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
            expected = f"{SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters; a few words in a row are easy to type"
            raise InputFault(Fault("password", f"{len(password)} characters", expected))
        salt = secrets.token_bytes(16)
        return HashedPassword(salt, _scrypt(password, salt))

    def fits(self, password: str) -> bool:
        """Whether this is the password; takes the same time for every wrong one."""
        return hmac.compare_digest(_scrypt(password, self.salt), self.hashed)


def _scrypt(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(
        password.encode("utf-8"), salt=salt, n=SCRYPT_N, r=SCRYPT_R, p=SCRYPT_P, maxmem=64 * 2**20, dklen=32
    )


@dataclass(frozen=True, slots=True)
class Passwords:
    """The passwords of the page by role, and the secret that signs its sessions (a new one signs everybody out)."""

    by_role: dict[Role, HashedPassword] = field(default_factory=dict)
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    @property
    def needed(self) -> bool:
        """Whether anybody has to sign in at all."""
        return bool(self.by_role)

    def role_of(self, password: str) -> Role | None:
        """Whose password this is; every one is tried, so that the time taken tells nothing."""
        if len(password) > LONGEST_PASSWORD:
            return None
        fitting = [role for role, kept in self.by_role.items() if kept.fits(password)]
        return fitting[0] if fitting else None

    def with_password(self, role: Role, password: str) -> "Passwords":
        """The same with a role's password set anew; everybody signed in is signed out."""
        return Passwords({**self.by_role, role: HashedPassword.of(password)})


def read_passwords(path: Path) -> Passwords:
    """The password file.

    Raises   InputFault     no such file, not one of ours, or readable by other users of the machine
             OutsideFault   it cannot be read
    """
    expected = "a password file written by soaktally page-password"
    try:
        mode = path.stat().st_mode
        kept: Any = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputFault(Fault(f"password file {path}", "no such file", expected)) from None
    except OSError as error:
        raise OutsideFault(f"password file {path}: {error.strerror}") from error
    except ValueError:
        raise InputFault(Fault(f"password file {path}", "something else", expected)) from None
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        found = f"permissions {stat.S_IMODE(mode):03o}: other users of this machine can read it"
        raise InputFault(Fault(f"password file {path}", found, "chmod 600"))
    try:
        by_role = {
            Role(role): HashedPassword(b64decode(one["salt"], validate=True), b64decode(one["scrypt"], validate=True))
            for role, one in kept["passwords"].items()
        }
        return Passwords(by_role, b64decode(kept["secret"], validate=True))
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputFault(Fault(f"password file {path}", "something else", expected)) from None


def write_passwords(path: Path, passwords: Passwords) -> None:
    """Write the password file, readable by nobody else.

    Raises   OutsideFault   it cannot be written
    """
    text = json.dumps(
        {
            "secret": b64encode(passwords.secret).decode(),
            "passwords": {
                str(role): {"salt": b64encode(kept.salt).decode(), "scrypt": b64encode(kept.hashed).decode()}
                for role, kept in passwords.by_role.items()
            },
        },
        indent=2,
    )
    beside = path.with_name(f"{path.name}.new")
    try:
        beside.unlink(missing_ok=True)
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            file.write(text + "\n")
        beside.replace(path)
    except OSError as error:
        raise OutsideFault(f"password file {path}: {error.strerror}") from error


# --- sessions ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Session:
    """One browser: its name (random), what it may do, until when [s since 1970 UTC]."""

    name: str
    role: Role
    until_utc_s: float


class Sessions:
    """Sessions that live in the cookie alone, signed: a restarted daemon knows everybody again."""

    def __init__(self, secret: bytes) -> None:
        self._secret = secret

    def begin(self, role: Role, now_utc_s: float) -> tuple[Session, str]:
        """A new session and its cookie."""
        session = Session(secrets.token_urlsafe(16), role, now_utc_s + SESSION_S)
        words = f"{session.name}.{session.role}.{session.until_utc_s:.0f}"
        return session, f"{words}.{self._signed('session', words)}"

    def of_cookie(self, cookie: str, now_utc_s: float) -> Session | None:
        """The session of a cookie; None for one that is forged, old or broken."""
        words, _, signature = cookie.rpartition(".")
        if not words or not hmac.compare_digest(signature.encode(), self._signed("session", words).encode()):
            return None
        name, role, until = words.split(".")
        session = Session(name, Role(role), float(until))
        return session if now_utc_s < session.until_utc_s else None

    def form_token(self, session: Session) -> str:
        """What every changing request of this session has to carry: another site cannot read it."""
        return self._signed("form", session.name)

    def is_form_token(self, session: Session, token: str) -> bool:
        """Whether a request comes from a page of ours."""
        return hmac.compare_digest(token.encode("utf-8", "replace"), self.form_token(session).encode())

    def _signed(self, purpose: str, words: str) -> str:
        return hmac.new(self._secret, f"{purpose}:{words}".encode(), hashlib.sha256).hexdigest()


# --- guessing ---------------------------------------------------------------------------------------------------------


@dataclass
class _Guesses:
    wrong: int = 0
    free_at_s: float = 0.0
    last_s: float = 0.0


class GuessLimit:
    """Slows guessing down: after a few wrong passwords from one place each next one has to wait twice as long.

    Times are of a steady clock [s]. Places are network addresses; one place that asks under many addresses meets the
    limit over all of them.
    """

    ALL: Final = "all places together"

    def __init__(self, free: int = FREE_GUESSES, free_for_all: int = 50) -> None:
        self._free, self._free_for_all = free, free_for_all
        self._places: dict[str, _Guesses] = {}

    def wait_s(self, place: str, now_s: float) -> float:
        """How long this place has to wait before it may try again [s]; 0: it may now."""
        waits = (self._places[each].free_at_s - now_s for each in (place, self.ALL) if each in self._places)
        return max(0.0, *waits, 0.0)

    def wrong(self, place: str, now_s: float) -> None:
        """A wrong password came from this place."""
        self._forget(now_s)
        for each, free in ((place, self._free), (self.ALL, self._free_for_all)):
            guesses = self._places.setdefault(each, _Guesses())
            guesses.wrong += 1
            guesses.last_s = now_s
            if guesses.wrong >= free:
                guesses.free_at_s = now_s + min(FIRST_WAIT_S * 2.0 ** min(guesses.wrong - free, 20), LONGEST_WAIT_S)

    def right(self, place: str) -> None:
        """The right password came from this place."""
        self._places.pop(place, None)

    def _forget(self, now_s: float) -> None:
        for place in [place for place, kept in self._places.items() if now_s - kept.last_s > FORGET_AFTER_S]:
            del self._places[place]
        while len(self._places) > MOST_FOLLOWED:
            del self._places[min(self._places, key=lambda place: self._places[place].last_s)]
