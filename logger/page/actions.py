"""What somebody does on the page: every act is a row appended to the record, which the watching daemon answers.

Readings cannot be altered from here: the record takes notes, photos and requests from outside and nothing else.
"""

import hashlib
import secrets
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from logger import record, requests
from logger.errors import Fault, InputFault, OutsideFault
from logger.page.recorded import NotThere
from logger.record import PHOTO, RunRow, photo_folder
from logger.requests import Answer

LONGEST_TEXT: Final = 2000
LONGEST_NAME: Final = 80
LARGEST_PHOTO: Final = 16 * 2**20
MOST_PHOTOS: Final = 200
"""Photos of one run: more than anyone takes, few enough not to fill a card."""

BEGINNINGS: Final = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF")
"""How the files of the kinds taken begin: JPEG, PNG, WebP (which says WEBP from its ninth byte)."""


def ask(path: Path, kind: str, wait_s: float, **detail: Any) -> tuple[str, Answer | None]:
    """Ask something of the daemon and wait a little for its answer; the request's id, and None where none came.

    Raises   InputFault, OutsideFault   a record that cannot be added to
    """
    asked = requests.ask(path, kind, **detail)
    return asked, requests.wait_for_answer(path, asked, wait_s)


def add_note(path: Path, run: str, text: str, author: str) -> None:
    """Add a note about a whole run."""
    record.append_from_outside(path, record.note(run, text, utc_s=time.time(), author=author))


def refuse_unlikely_photo(content: bytes) -> None:
    """Refuse what is surely no photo before anything opens it.

    Raises   InputFault   too large, or not beginning as a picture does
    """
    if len(content) > LARGEST_PHOTO:
        raise InputFault(Fault("photo", f"{len(content) / 2**20:.1f} MB", f"at most {LARGEST_PHOTO // 2**20} MB"))
    fits = content.startswith(BEGINNINGS) and (not content.startswith(b"RIFF") or content[8:12] == b"WEBP")
    if not fits:
        raise InputFault(Fault("photo", "something else", "a JPEG, PNG or WebP photo"))


def keep_photo(path: Path, row: RunRow, cleaned: bytes, caption: str, author: str) -> str:
    """Put a cleaned photo beside the record and say so in it; returns its name.

    Raises   InputFault     too many photos of this run
             OutsideFault   it cannot be written
    """
    folder = photo_folder(path, row.id)
    name = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(4)}.jpg"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if sum(1 for _ in folder.iterdir()) >= MOST_PHOTOS:
            raise InputFault(Fault("photo", f"{MOST_PHOTOS} photos of this run already", f"at most {MOST_PHOTOS}"))
        with (folder / name).open("xb") as file:
            file.write(cleaned)
    except OSError as error:
        raise OutsideFault(f"the photo could not be kept: {error.strerror}") from error
    detail = {"file": name, "sha256": hashlib.sha256(cleaned).hexdigest(), "author": author}
    said = record.event(PHOTO, caption, utc_s=time.time(), oven=row.oven, run=row.id, detail=detail)
    record.append_from_outside(path, said)
    return name


def photo_file(path: Path, run: str, name: str) -> Path:
    """The file of a photo; only names that were given here exist.

    Raises   InputFault   no such photo
    """
    folder = photo_folder(path, run)
    if folder.is_dir():
        for file in folder.iterdir():
            if file.name == name and file.is_file():
                return file
    raise NotThere(Fault("photo", f'"{name[:60]}"', "a photo of this run"))
