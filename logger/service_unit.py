"""The text of a systemd unit that keeps a watch running: started at boot, restarted, itself watched over."""

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

    ``command`` is the whole command line, program first and by its full path; ``user`` runs it and must be in the
    group that may use serial ports (``port_group``); ``record_folder`` is the only place it may write to;
    ``secrets_file`` (may be missing) holds NAME=value lines for settings that name an environment variable.
    """

    oven: str
    command: Sequence[str]
    user: str
    folder: Path
    record_folder: Path
    port_group: str = "dialout"
    secrets_file: Path = Path("/etc/soaktally.env")

    def text(self) -> str:
        """The unit file. Raises InputFault for what systemd could not read back."""
        _check(self)
        return f"""\
# Written by `soaktally service`. Install it with:
#   sudo cp THIS_FILE /etc/systemd/system/soaktally.service
#   sudo systemctl enable --now soaktally.service
# soaktally watches and tells; it cannot switch an oven off and is no safety device.

[Unit]
Description=soaktally watches {_plain(self.oven)}
# The wall clock is set first where the system waits for it: a board without a clock would date the run wrongly.
After=time-sync.target
# Never give up restarting.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={" ".join(_word(word) for word in self.command)}
WorkingDirectory={_path(self.folder)}
User={self.user}
SupplementaryGroups={self.port_group}
EnvironmentFile=-{_path(self.secrets_file)}
Restart=always
RestartSec=5
# A mistake in the oven file or the sheet does not mend itself.
RestartPreventExitStatus=2
WatchdogSec={WATCHDOG_S}
TimeoutStopSec=30
ProtectSystem=strict
ReadWritePaths={_word(str(self.record_folder))}
NoNewPrivileges=yes
PrivateTmp=yes

[Install]
WantedBy=multi-user.target
"""


def _check(unit: ServiceUnit) -> None:
    faults = []
    if not unit.command or not Path(unit.command[0]).is_absolute():
        faults.append(Fault("service: command", repr(list(unit.command)), "the full path of the program first"))
    for where, path in (("folder", unit.folder), ("record folder", unit.record_folder), ("secrets", unit.secrets_file)):
        if not path.is_absolute():
            faults.append(Fault(f"service: {where}", str(path), "a full path"))
    for where, name in (("user", unit.user), ("group", unit.port_group)):
        if not name or not all(letter.isalnum() or letter in "-_.$" for letter in name):
            faults.append(Fault(f"service: {where}", repr(name), "a name of letters, digits, -, _ and ."))
    words = [*unit.command, str(unit.folder), str(unit.record_folder), str(unit.secrets_file)]
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
