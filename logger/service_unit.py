"""The systemd unit that keeps ovens watched: started at boot, restarted, itself watched over; and where it goes."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import Fault, InputFault

WATCHDOG_S: Final = 60
"""A watch that gives no sign of life for this long is restarted (our choice: many polls, few minutes of a soak)."""


@dataclass(frozen=True, slots=True)
class ServiceUnit:
    """What a unit needs to know.

    ``command`` is the whole command line, program first and by its full path; ``record_folders`` are the only places it
    may write to; ``secrets_file`` (may be missing) holds NAME=value lines for settings that name an environment
    variable. A unit of the system runs as ``user``, who must be in the group that may use serial ports
    (``port_group``); without a ``user`` it is a unit of whoever installs it.
    """

    ovens: str
    command: Sequence[str]
    folder: Path
    record_folders: Sequence[Path]
    user: str = ""
    port_group: str = "dialout"
    secrets_file: Path = Path("/etc/soaktally.env")

    def text(self) -> str:
        """The unit file. Raises InputFault for what systemd could not read back."""
        _check(self)
        return f"""\
# Written by `soaktally service`.
# soaktally watches and tells; it cannot switch an oven off and is no safety device.

[Unit]
Description=soaktally watches {_plain(self.ovens)}
# The wall clock is set first where the system waits for it: a board without a clock would date the run wrongly.
After=time-sync.target
# Never give up restarting.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={" ".join(_word(word) for word in self.command)}
ExecReload=/bin/kill -HUP $MAINPID
WorkingDirectory={_path(self.folder)}
EnvironmentFile=-{_path(self.secrets_file)}
Restart=always
RestartSec=5
# A mistake in an oven file does not mend itself.
RestartPreventExitStatus=2
WatchdogSec={WATCHDOG_S}
TimeoutStartSec=300
TimeoutStopSec=60
{self._rights()}
[Install]
WantedBy={"multi-user" if self.user else "default"}.target
"""

    def _rights(self) -> str:
        """What only the system's own service manager can give and take."""
        if not self.user:
            return "NoNewPrivileges=yes\n"
        folders = " ".join(_word(str(folder)) for folder in dict.fromkeys(self.record_folders))
        return f"""\
User={self.user}
SupplementaryGroups={self.port_group}
ProtectSystem=strict
ReadWritePaths={folders}
NoNewPrivileges=yes
PrivateTmp=yes
"""


def unit_file(user: str, home: Path) -> Path:
    """Where a unit belongs: the system's, run as ``user``; or, without one, that of the person whose home this is."""
    if user:
        return Path("/etc/systemd/system/soaktally.service")
    return home / ".config/systemd/user/soaktally.service"


def steps(user: str) -> tuple[tuple[tuple[str, ...], str], ...]:
    """The commands that put a written unit to work, and what each is for."""
    manager = ("systemctl",) if user else ("systemctl", "--user")
    found: list[tuple[tuple[str, ...], str]] = [
        ((*manager, "daemon-reload"), "have systemd read it"),
        ((*manager, "enable", "soaktally.service"), "start it at every boot"),
        ((*manager, "restart", "soaktally.service"), "start it now"),
    ]
    if not user:
        found.insert(0, (("loginctl", "enable-linger"), "keep it running while you are logged out"))
    return tuple(found)


def _check(unit: ServiceUnit) -> None:
    faults = []
    if not unit.command or not Path(unit.command[0]).is_absolute():
        faults.append(Fault("service: command", repr(list(unit.command)), "the full path of the program first"))
    paths = [("folder", unit.folder), *(("record folder", one) for one in unit.record_folders)]
    for where, path in (*paths, ("secrets", unit.secrets_file)):
        if not path.is_absolute():
            faults.append(Fault(f"service: {where}", str(path), "a full path"))
    for where, name in (("user", unit.user), ("group", unit.port_group)):
        if not all(letter.isalnum() or letter in "-_.$" for letter in name):
            faults.append(Fault(f"service: {where}", repr(name), "a name of letters, digits, -, _ and ."))
    words = [*unit.command, str(unit.folder), *map(str, unit.record_folders), str(unit.secrets_file)]
    faults += [
        Fault("service", f"a line break in {word!r}", "one line") for word in words if "\n" in word or "\r" in word
    ]
    if faults:
        raise InputFault(faults)


def _plain(text: str) -> str:
    """Text for a description: on one line, with nothing that systemd replaces."""
    return " ".join(text.split()).replace("%", "%%")


def _path(path: Path) -> str:
    """A path where systemd takes the rest of the line as it is."""
    return str(path).replace("%", "%%")


def _word(word: str) -> str:
    """One word of a command line, quoted as systemd.service(5) asks."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"' if not word or any(letter in word for letter in " \t\"'\\;") else escaped
