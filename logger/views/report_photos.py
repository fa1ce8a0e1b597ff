"""The photos of a run as a report carries them: small enough to send, and told of where they cannot be shown."""

import hashlib
import io
import warnings
from pathlib import Path
from typing import Final

from PIL import Image

from logger.situation import KeptPhoto, Situation
from logger.views.report import Photo

LONGEST_SIDE: Final = 1400
QUALITY: Final = 82


def photos_of(situation: Situation) -> tuple[Photo, ...]:
    """The photos of a reviewed run, in the order they were added; one that cannot be shown says why."""
    return tuple(_shown(one) for one in (() if situation.kept is None else situation.kept.photos))


def _shown(kept: KeptPhoto) -> Photo:
    caption = ", by ".join(part for part in (kept.caption or "photo without a caption", kept.author) if part)
    file = Path(kept.file)
    try:
        content = file.read_bytes()
    except FileNotFoundError:
        return Photo(caption, None, trouble=f"{file.name}: the file is not there any more")
    except OSError as error:
        return Photo(caption, None, trouble=f"{file.name}: {(error.strerror or str(error)).lower()}")
    changed = bool(kept.sha256) and hashlib.sha256(content).hexdigest() != kept.sha256
    try:
        smaller = _smaller(content)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning):
        return Photo(caption, None, trouble=f"{file.name}: the file is no picture that can be read")
    trouble = f"{file.name}: the file has been changed since it was added" if changed else ""
    return Photo(caption, smaller, "image/jpeg", trouble)


def _smaller(content: bytes) -> bytes:
    """A picture no larger than a report needs, as JPEG.

    Raises   OSError, ValueError    no picture
    """
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        with Image.open(io.BytesIO(content)) as image:
            image.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            image.convert("RGB").save(out, format="jpeg", quality=QUALITY)
    return out.getvalue()
