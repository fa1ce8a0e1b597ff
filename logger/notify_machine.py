"""A sound and a message on the machine soaktally runs on, through programs the system has."""

import io
import math
import os
import shlex
import shutil
import struct
import subprocess
import tempfile
import wave
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from logger.alert_rules import Severity
from logger.errors import OutsideFault
from logger.notify_channels import Message
from logger.notify_settings import DesktopChannel, SoundChannel

PLAYERS: Final = (("paplay",), ("pw-play",), ("aplay", "-q"), ("afplay",))
"""Programs that play a sound file, in the order in which they are looked for."""

SAMPLE_RATE_HZ: Final = 22050
BEEP_HZ: Final = 880.0
BEEP_S: Final = 0.25
BEEPS: Final = {Severity.NEWS: 1, Severity.WARNING: 2, Severity.DANGER: 6}
"""How often it beeps (our choice: danger is heard over a blower)."""


class SoundSender:
    """Plays a tone, or runs the command in the settings."""

    def __init__(self, settings: SoundChannel) -> None:
        self._settings = settings

    def send(self, message: Message, deadline_s: float) -> None:
        """Make one sound."""
        if self._settings.command:
            _run(shlex.split(self._settings.command), deadline_s)
            return
        player = next((list(words) for words in PLAYERS if shutil.which(words[0])), None)
        if player is None:
            names = ", ".join(words[0] for words in PLAYERS)
            raise OutsideFault(f"no program that plays a sound ({names}); name one as command")
        file, name = tempfile.mkstemp(suffix=".wav")
        try:
            with os.fdopen(file, "wb") as out:
                out.write(tone(BEEPS[Severity(message.severity)]))
            _run([*player, name], deadline_s)
        finally:
            with suppress(OSError):
                Path(name).unlink()

    def close(self) -> None:
        """Nothing to let go of."""


class DesktopSender:
    """Shows a message on the desktop."""

    def __init__(self, settings: DesktopChannel) -> None:
        self._settings = settings

    def send(self, message: Message, deadline_s: float) -> None:
        """Show one message."""
        if shutil.which("notify-send"):
            urgency = {Severity.NEWS: "low", Severity.WARNING: "normal"}.get(Severity(message.severity), "critical")
            words = ["notify-send", "--app-name=soaktally", f"--urgency={urgency}", "--"]
            _run([*words, message.headline, message.body], deadline_s)
        elif shutil.which("osascript"):
            script = "on run {headline, body}\ndisplay notification body with title headline\nend run"
            _run(["osascript", "-e", script, message.headline, message.body], deadline_s)
        else:
            raise OutsideFault("no program that shows a message on the desktop (notify-send)")

    def close(self) -> None:
        """Nothing to let go of."""


def tone(beeps: int) -> bytes:
    """A sound file of so many beeps."""
    length = int(SAMPLE_RATE_HZ * BEEP_S)
    fade = length / 20.0  # without it every beep begins and ends with a click
    beep = b"".join(
        struct.pack(
            "<h",
            round(
                24000
                * min(1.0, number / fade, (length - number) / fade)
                * math.sin(2.0 * math.pi * BEEP_HZ * number / SAMPLE_RATE_HZ)
            ),
        )
        for number in range(length)
    )
    with io.BytesIO() as out:
        with wave.open(out, "wb") as sound:
            sound.setnchannels(1)
            sound.setsampwidth(2)
            sound.setframerate(SAMPLE_RATE_HZ)
            sound.writeframes((beep + bytes(len(beep))) * beeps)
        return out.getvalue()


def _run(words: Sequence[str], deadline_s: float) -> None:
    """Run a program to its end within the deadline, or raise OutsideFault with what it said."""
    try:
        done = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=deadline_s,
            check=False,
            text=True,
            errors="replace",
        )
    except subprocess.TimeoutExpired:
        raise OutsideFault(f"{words[0]}: not done in {deadline_s:g} s") from None
    except (OSError, ValueError, IndexError) as error:
        raise OutsideFault(f"{words[0] if words else 'command'}: {error}") from None
    if done.returncode:
        said = " ".join(done.stderr.split())[:200] or f"ends with {done.returncode}"
        raise OutsideFault(f"{words[0]}: {said}")
