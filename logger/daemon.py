"""The daemon: builds everything for the ovens it is given and owns the threads, the records and the signals.

Each oven has a thread and pollers of its own (`oven_watch`), each record a desk (`record_desk`). `Daemon` holds them
together: it looks at the oven files for changes, gives signs of life to whoever would miss them, and closes all in
order. `serve` keeps ovens watched for months, runs coming and going by request; `watch` is one oven and one run.
"""

import logging
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any

from logger.alert import AlertEvent
from logger.board import Board
from logger.clock import Clock, FastClock, RealClock
from logger.controllers.settings import Framing, PortSettings
from logger.dead_man import READY, RELOADING, STOPPING, Pulse, heartbeat, systemd_watchdog, tell_systemd
from logger.errors import Fault, InputFault, OutsideFault, SoaktallyError
from logger.notify_settings import Heartbeat
from logger.oven_file import OvenSettings, read_oven
from logger.oven_ports import MakePoller, PortPoller, Sink
from logger.oven_watch import Order, Outlets, OvenWatch, Reload
from logger.polling import Poller
from logger.record import RecordWriter, RequestRow
from logger.record_desk import RecordDesk
from logger.requests import ACKNOWLEDGE, RELOAD, Answer, Answering
from logger.shared_line import SharedLine
from logger.sheet_file import parse_sheet
from logger.situation import Situation
from logger.units import InUnits
from logger.versions import installed_version

log = logging.getLogger("soaktally.daemon")

ROUND_S = 0.5
"""How often the daemon looks after itself [s of real time]."""

FILES_EVERY_S = 2.0
"""How often the oven files are looked at for changes [s of real time]."""

STANDSTILL_S = 300.0
"""An oven's thread that has not come round for so long [s of real time] stands still, and signs of life stop: far above
the longest time a disk is waited for."""


@dataclass(frozen=True, slots=True)
class Orders:
    """What a watch is to do besides watching.

    ``until_s`` ends the run by itself at that run time [s]; ``show`` is called with the situation after every answer,
    ``say`` with every alert event, ``tell`` with the same and the name of its oven ("" where it is about no oven).
    ``in_units`` turns the units of a run's sheet into those it is shown and told in.
    """

    until_s: float | None = None
    show: Callable[[Situation], None] = lambda situation: None
    say: Callable[[AlertEvent], None] = lambda event: None
    tell: Callable[[AlertEvent, str], None] = lambda event, oven: None
    in_units: InUnits = lambda own: own


def software() -> str:
    """Name and version of this software, as the record keeps it."""
    return f"soaktally {installed_version('soaktally')}"


def boot_name() -> str:
    """What tells one start of this computer from another; empty where the system does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def clock_of(oven: OvenSettings) -> Clock:
    """The clock an oven is watched by."""
    return RealClock() if oven.clock_speed == 1.0 else FastClock(oven.clock_speed)


class Daemon:
    """Any number of ovens, watched. Build it, `open` it, `start` it, `look_after` it until told to stop, `close` it.

    Parameters
    ----------
    ovens : the settings of each
    files : the oven file of each, looked at for changes; none: they never change
    board : where each oven's situation is pinned
    orders : what else to do with what is seen
    clocks : the clock of each oven by name; left out, as its settings say
    even_if_damaged : begin although a record cannot be written now, its journal takes over; and leave out an oven
        whose record cannot be used at all, as long as there are others
    left_out : what keeps ovens from being watched, in words, by oven or file

    Raises   InputFault      settings that do not go together; a record that cannot be used
             OutsideFault    a record that cannot be written, or that another soaktally writes
    """

    def __init__(
        self,
        ovens: Sequence[OvenSettings],
        files: Sequence[Path] = (),
        *,
        board: Board | None = None,
        orders: Orders = Orders(),
        clocks: Mapping[str, Clock] | None = None,
        even_if_damaged: bool = False,
        left_out: Mapping[str, str] | None = None,
    ) -> None:
        _refuse_what_clashes(ovens)
        self.left_out = dict(left_out or {})
        self.board = board or Board()
        self.ovens: dict[str, OvenWatch] = {}
        self._desks: dict[Path, RecordDesk] = {}
        self._lines: dict[str, SharedLine] = {}
        self._files = dict(zip([oven.name for oven in ovens], files, strict=True)) if files else {}
        self._seen = {file: _stamp(file) for file in self._files.values()}
        self._looked_s = time.monotonic()
        self._reload = threading.Event()
        self._pulses: dict[Heartbeat | None, Pulse] = {}
        self._closing = ExitStack()
        clocks = clocks or {oven.name: clock_of(oven) for oven in ovens}
        for name in _shared_ports(ovens):
            clock = next(clocks[oven.name] for oven in ovens if name in [port.name for port in oven.ports])
            self._lines[name] = SharedLine(clock)
        refused: list[SoaktallyError] = []
        try:
            for record in dict.fromkeys(oven.record.resolve() for oven in ovens):
                here = [oven for oven in ovens if oven.record.resolve() == record]
                try:
                    writer = RecordWriter(here[0].record, even_if_damaged=even_if_damaged)
                except SoaktallyError as fault:
                    if not even_if_damaged:
                        raise
                    refused.append(fault)
                    self.left_out |= {oven.name: str(fault) for oven in here}
                    continue
                self._furnish(record, writer, here, clocks, orders)
            if not self._desks:
                raise refused[0]
        except BaseException:
            self._closing.close()
            raise
        self._files = {name: file for name, file in self._files.items() if name in self.ovens}
        for name, why in self.left_out.items():
            log.error("%s is not watched: %s", name, why)

    def _furnish(
        self,
        record: Path,
        writer: RecordWriter,
        here: Sequence[OvenSettings],
        clocks: Mapping[str, Clock],
        orders: Orders,
    ) -> None:
        """The desk of one record and the ovens that are recorded there."""

        def say(event: AlertEvent, oven: str | None) -> None:
            orders.say(event)
            orders.tell(event, oven or "")

        desk = RecordDesk(
            writer,
            clocks[here[0].name],
            {oven.name: oven.notify for oven in here},
            self._hand_on,
            say,
            left_out=self.left_out,
        )
        self._closing.callback(desk.close)
        self._desks[record] = desk
        for oven in here:
            outlets = Outlets(desk.announce, orders.show, self.board.pin, desk.publish, desk.open_alerts)
            self.ovens[oven.name] = OvenWatch(
                oven,
                desk.writer,
                clocks[oven.name],
                outlets,
                software(),
                boot_name(),
                orders.until_s,
                in_units=orders.in_units,
                make_poller=self._poller_of(oven.name),
            )

    def _poller_of(self, oven: str) -> MakePoller:
        """What polls a port of this oven: a poller of its own, or its part of a line that others are on as well."""

        def make(port: PortSettings, clock: Clock, sink: Sink) -> PortPoller:
            line = self._lines.get(port.name)
            return Poller(port, clock, sink) if line is None else line.share(oven, port, sink)

        return make

    def open(self) -> None:
        """Begin to poll.

        Raises   OutsideFault    another program has every port of every oven: most likely another soaktally
        """
        openers = [threading.Thread(target=oven.open, daemon=True) for oven in self.ovens.values()]
        for opener in openers:
            opener.start()
        for opener in openers:
            opener.join()
        taken = [oven.ports.taken() for oven in self.ovens.values()]
        if all(taken):
            raise OutsideFault("\n".join(why for oven in taken for why in oven))

    def start(self) -> None:
        """Begin to watch, to deliver, to take requests, and to give signs of life."""
        for desk in self._desks.values():
            desk.start()
        for oven in self.ovens.values():
            oven.start()
        watchdog = systemd_watchdog(self.standing_still)
        if watchdog is not None:
            self._pulses[None] = watchdog
            watchdog.start()
        self._renew_heartbeats()
        tell_systemd(READY, f"STATUS=watching {', '.join(self.ovens)}")
        log.info("%s watches %s", software(), ", ".join(self.ovens))

    def look_after(self, stop: threading.Event, until_ended: bool = False) -> None:
        """Look after the ovens until told to stop; with ``until_ended`` also until a run has ended."""
        while not stop.wait(ROUND_S if not until_ended else 0.05):
            if until_ended and any(oven.ended.is_set() for oven in self.ovens.values()):
                return
            if self._reload.is_set() or (time.monotonic() - self._looked_s >= FILES_EVERY_S and self._changed()):
                self._reload.clear()
                self.reload()

    def close(self, how: str | None = None) -> None:
        """Stop everything in order. Runs that go on are closed with ``how`` they ended; None leaves them open."""
        tell_systemd(STOPPING)
        log.info("the watch is ending")
        for oven in self.ovens.values():
            oven.stop()
        for oven in self.ovens.values():
            oven.join()
            if how is not None:
                oven.end_run(how)
            self.board.take_down(oven.name)
        for pulse in self._pulses.values():
            pulse.close()
        self._closing.close()

    def standing_still(self) -> str:
        """Which oven's watch stands still, so that only a restart can help; empty while none does."""
        for oven in self.ovens.values():
            if oven.standing_still_s() > STANDSTILL_S:
                return f"oven {oven.name}: its watch has stood still for {oven.standing_still_s():.0f} s"
        return ""

    def not_well(self) -> str:
        """Why no sign of life must be given to others now; empty while every oven is being watched."""
        for oven in self.ovens.values():
            if mistake := oven.mistake():
                return f"oven {oven.name}: {mistake}"
        return self.standing_still()

    # --- oven files ---

    def reload_soon(self) -> None:
        """Have the oven files read again; may be called from a signal handler."""
        self._reload.set()

    def reload(self) -> tuple[Answer, ...]:
        """Read the oven files again and put what has changed in force. A file with a fault changes nothing."""
        tell_systemd(RELOADING, f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
        answers = tuple(self._reload_one(name, file) for name, file in self._files.items())
        for answer in answers:
            (log.info if answer.done else log.error)("%s", answer.text)
        self._renew_heartbeats()
        tell_systemd(READY)
        return answers

    def _reload_one(self, name: str, file: Path) -> Answer:
        oven = self.ovens[name]
        try:
            self._seen[file] = _stamp(file)
            settings = read_oven(file)
        except SoaktallyError as refusal:
            return Answer(False, f"{refusal} (the settings from before go on)")
        if settings == oven.settings:
            return Answer(True, f"{file}: nothing has changed")
        answers: list[Answer] = []
        answered = threading.Event()

        def answer(found: Answer) -> None:
            answers.append(found)
            answered.set()

        oven.put(Reload(settings, answer))
        if not answered.wait(STANDSTILL_S):
            return Answer(False, f"oven {name}: its watch does not answer")
        if answers[0].done:
            self._desks[settings.record.resolve()].renew(name, settings.notify)
        return answers[0]

    def _changed(self) -> bool:
        self._looked_s = time.monotonic()
        return any(_stamp(file) != seen for file, seen in self._seen.items())

    def _renew_heartbeats(self) -> None:
        found = (oven.settings.notify.heartbeat for oven in self.ovens.values())
        wanted = {settings for settings in found if settings is not None}
        for old in [one for one in self._pulses if one is not None and one not in wanted]:
            self._pulses.pop(old).close()
        for settings in wanted - self._pulses.keys():
            self._pulses[settings] = heartbeat(settings, self.not_well)
            self._pulses[settings].start()

    # --- requests ---

    def _hand_on(self, request: RequestRow, answer: Answering) -> None:
        """Bring a request to the oven it is about. Called from a desk's thread."""
        name, run = (str(request.detail.get(key, "") or "") for key in ("oven", "run"))
        if request.kind == RELOAD:
            self.reload_soon()
            answer(Answer(True, "the oven files are read again"))
            return
        about = [oven for oven in self.ovens.values() if name in ("", oven.name)]
        if run:
            about = [oven for oven in about if oven.run is not None and oven.run.run == run]
        if not about:
            expected = f"one of {', '.join(self.ovens)}" if not run else "a run that is going on"
            answer(Answer(False, f"request {request.kind}: found {run or name!r}, expected {expected}"))
        elif request.kind == ACKNOWLEDGE:
            whole = _Together(len(about), answer)
            for oven in about:
                oven.put(Order(request.kind, request.detail, whole.take))
        elif len(about) > 1:
            answer(Answer(False, f"request {request.kind}: found no oven, expected one of {', '.join(self.ovens)}"))
        else:
            about[0].put(Order(request.kind, request.detail, answer))


class _Together:
    """Several ovens' answers to one request as one: done if any has done something."""

    def __init__(self, count: int, answer: Answering) -> None:
        self._left, self._answer = count, answer
        self._found: list[Answer] = []
        self._lock = threading.Lock()

    def take(self, found: Answer) -> None:
        with self._lock:
            self._found.append(found)
            self._left -= 1
            if self._left:
                return
        done = [one for one in self._found if one.done] or self._found
        self._answer(Answer(done[0].done, "; ".join(one.text for one in done), done[0].run))


def _refuse_what_clashes(ovens: Sequence[OvenSettings]) -> None:
    """Two ovens cannot have one name; those on one port must agree about it."""
    names = [oven.name for oven in ovens]
    faults = [
        Fault("oven files", f"the name {name} twice", "a name of its own for each oven")
        for name in dict.fromkeys(name for name in names if names.count(name) > 1)
    ]
    for name, ports in _shared_ports(ovens).items():
        if len({replace(port, controllers=()) for port in ports}) > 1:
            faults.append(Fault("oven files", f"port {name} with different settings", "the same for every oven on it"))
        addresses = [controller.unit_address for port in ports for controller in port.controllers]
        if ports[0].framing not in (Framing.RTU, Framing.ASCII):
            faults.append(Fault("oven files", f"port {name} twice", "a port of its own for what is no Modbus line"))
        elif len(set(addresses)) < len(addresses):
            faults.append(Fault("oven files", f"port {name}, a unit address twice", "an address of its own for each"))
    if len({oven.clock_speed for oven in ovens}) > 1 and _shared_ports(ovens):
        faults.append(Fault("oven files", "one port with different clocks", "the same clock for every oven on it"))
    if not ovens:
        faults.append(Fault("oven files", "none", "at least one"))
    if faults:
        raise InputFault(faults)


def _shared_ports(ovens: Sequence[OvenSettings]) -> dict[str, list[PortSettings]]:
    """Ports that several ovens name, but for network addresses, which each may open on its own."""
    found: dict[str, list[PortSettings]] = {}
    for oven in ovens:
        for port in oven.ports:
            if port.framing not in (Framing.TCP, Framing.PLAYBACK):
                found.setdefault(port.name, []).append(port)
    return {name: ports for name, ports in found.items() if len(ports) > 1}


def _stamp(file: Path) -> tuple[int, int]:
    """What tells one state of a file from another; nothing where it is not there."""
    try:
        found = file.stat()
    except OSError:
        return (0, 0)
    return (found.st_mtime_ns, found.st_size)


def serve(
    files: Sequence[Path],
    stop: threading.Event,
    *,
    board: Board | None = None,
    orders: Orders = Orders(),
    ready: Callable[[Daemon], None] = lambda daemon: None,
) -> None:
    """Watch the ovens of these files until told to stop; runs come and go by request and are taken up again.

    Parameters
    ----------
    files : OVEN.toml of each oven
    stop : ends it; runs that go on are left to be taken up at the next start
    board : where the situation of every oven is pinned, for a page
    orders : what else to do with what is seen
    ready : called once everything is being watched

    An oven whose file or record cannot be used is left out, and told about, as long as there are others: a mistake in
    one file must not leave every oven alone after a power cut.

    Raises   InputFault      no oven file that can be used
             OutsideFault    another soaktally has every record, or every port
    """
    ovens: list[OvenSettings] = []
    good: list[Path] = []
    refused: list[Fault] = []
    left_out: dict[str, str] = {}
    for file in files:
        try:
            ovens.append(read_oven(file))
            good.append(file)
        except InputFault as refusal:
            refused += refusal.faults
            left_out[str(file)] = str(refusal)
    if not ovens:
        raise InputFault(refused)
    daemon = Daemon(ovens, good, board=board, orders=orders, even_if_damaged=True, left_out=left_out)
    try:
        daemon.open()
        daemon.start()
        with _reloaded_by_signal(daemon):
            ready(daemon)
            daemon.look_after(stop)
    finally:
        daemon.close()


def watch(
    oven: OvenSettings,
    sheet_file: Path,
    clock: Clock,
    orders: Orders,
    stop: threading.Event,
    board: Board | None = None,
    ready: Callable[[], None] = lambda: None,
) -> str:
    """Watch one run of one oven until it is stopped; returns the run's id.

    A run of the same sheet that was broken off is gone on with. Every reading is in the record before anything is
    worked out from it. ``ready`` is called once the run is in the record, before the first reading.

    Raises   InputFault      a sheet or a record that cannot be used
             OutsideFault    a record that cannot be written; another program has the port
    """
    sheet_text = sheet_file.read_text(encoding="utf-8")
    parse_sheet(sheet_text, str(sheet_file))
    daemon = Daemon([oven], board=board, orders=orders, clocks={oven.name: clock})
    how = "broken off by a fault"
    try:
        daemon.open()
        run = daemon.ovens[oven.name].begin(sheet_file.stem, sheet_text)
        ready()
        daemon.start()
        daemon.look_after(stop, until_ended=True)
        how = "stopped"
    finally:
        daemon.close(how)
    return run


@contextmanager
def _reloaded_by_signal(daemon: Daemon) -> Iterator[None]:
    """SIGHUP has the oven files read again, where the system has that signal and this is the main thread."""
    number = getattr(signal, "SIGHUP", None)
    if number is None or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(number, lambda *_: daemon.reload_soon())
    try:
        yield
    finally:
        signal.signal(number, before)


@contextmanager
def stopped_by_signals(stop: threading.Event) -> Iterator[None]:
    """SIGINT and SIGTERM set the event, once; a second one ends the process the hard way."""
    before: dict[signal.Signals, Any] = {}

    def on_signal(number: int, frame: FrameType | None) -> None:
        stop.set()
        for each, handler in before.items():
            signal.signal(each, handler)

    for number in (signal.SIGINT, signal.SIGTERM):
        before[number] = signal.signal(number, on_signal)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
