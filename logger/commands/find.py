"""``soaktally find``: which register the controller's display is."""

import json
import re
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from logger.commands.progress import ProgressLine
from logger.commands.shared_options import temperature_option, told_plainly
from logger.errors import Fault, InputFault, OutsideFault

if TYPE_CHECKING:
    from logger.controllers.register_finder import Candidate, Shown
    from logger.controllers.settings import ControllerSettings
    from logger.display_search import DisplaySearch, Notes

OFFERED = 5
MOST_LOOKS = 4
NEW_OVEN_FILE = Path("oven.toml")
UNSETTLED = (
    "NOT SETTLED: this register is only the likeliest of those that fit what the display showed. Look at the display "
    "once more at another temperature, with soaktally find, before an oven is watched by it."
)
"""On top of an oven file that was written from a guess, and on the terminal."""

FIRST_QUESTION = "What does the controller's display show now, with its unit? (such as 21.4 C or 72 F)"
NEXT_QUESTION = (
    "Now let the display change by twenty degrees or more (warm the oven a little). What does it show then? "
    "(Enter: go on with what is known)"
)


@click.command()
@click.argument("where", metavar="[PORT|OVEN.toml]", required=False)
@click.option("--baud", type=int, default=9600, show_default=True, help="Speed of the line; others are tried after it.")
@click.option("--parity", type=click.Choice(["none", "even", "odd"]), default="none", show_default=True)
@click.option("--framing", type=click.Choice(["rtu", "ascii", "tcp"]), help="By default rtu; tcp on a tcp:// port.")
@click.option("--unit-address", type=click.IntRange(0, 255), default=1, show_default=True)
@click.option("--controller", "controller_name", metavar="NAME", help="Which controller of an OVEN.toml with several.")
@click.option("--shows", metavar="TEMPERATURE", multiple=True, help='What the display shows now, such as "21.4 C".')
@click.option(
    "--registers",
    "spans",
    metavar="FIRST-LAST",
    multiple=True,
    help="Addresses to look at, counted from 0, such as 0-300; without it, where manuals usually begin.",
)
@click.option("--function", "functions", type=click.Choice(["3", "4"]), multiple=True, help="Only this function code.")
@click.option("--gap", metavar="TIME", default="20 ms", show_default=True, help="Pause before each question.")
@click.option("--deadline", metavar="TIME", default="500 ms", show_default=True, help="How long to wait for an answer.")
@click.option(
    "--notes",
    "notes_file",
    metavar="FILE.json",
    type=click.Path(readable=False, path_type=Path),
    help="Keep what is found here, and go on from it: one look at the display per call.",
)
@click.option("--name", "channel_name", default="air", show_default=True, help="What the channel shall be called.")
@click.option("--oven", "oven_name", default="oven", show_default=True, help="What the oven shall be called.")
@click.option(
    "--write",
    "written",
    metavar="OVEN.toml",
    type=click.Path(readable=False, path_type=Path),
    help="Write the oven file here.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs; nothing is asked.")
@temperature_option
def find(
    where: str | None,
    baud: int,
    parity: Literal["none", "even", "odd"],
    framing: str | None,
    unit_address: int,
    controller_name: str | None,
    shows: tuple[str, ...],
    spans: tuple[str, ...],
    functions: tuple[str, ...],
    gap: str,
    deadline: str,
    notes_file: Path | None,
    channel_name: str,
    oven_name: str,
    written: Path | None,
    as_json: bool,
    temperature_unit: Literal["C", "F"] | None,
) -> None:
    """Find the register that the controller's display shows, and write the oven file.

    Reads what the controller lets be read, asks what its display shows, and again after it has changed, and says which
    register, scale and unit fit. It only reads, slowly. Ctrl-C stops the reading; what was found by then is used.

    In a script: call it with --notes and one --shows at a time; the first call reads everything, later ones only look
    again.
    """
    from logger import daemon
    from logger.clock import RealClock
    from logger.controllers.register_finder import Stopped
    from logger.display_search import DisplaySearch, save_notes

    asks = not as_json and sys.stdin.isatty()
    with told_plainly():
        looks = [shown_from(text, temperature_unit) for text in shows]
        notes, controller = _beginning(
            where, baud, parity, framing, unit_address, controller_name, notes_file, gap, deadline
        )
        windows = [_span(text) for text in spans]
        if written is not None and written.exists():
            raise InputFault(Fault("--write", f'"{written}", which is there already', "a new file"))
        search = DisplaySearch(notes, controller, RealClock())
        stopped = False
        try:
            with daemon.stopped_by_signals(stop := threading.Event()), ProgressLine() as progress:
                search.connect(progress.tell, stop)
                try:
                    _scan(search, windows, [int(each) for each in functions], progress, stop)
                except Stopped:
                    stopped = True
            if notes_file is not None:
                save_notes(notes, notes_file)
            if stopped and not as_json:
                click.echo(f"Stopped; going on with the {len(notes.found)} registers found so far.", err=True)
            if not notes.found:
                raise OutsideFault(
                    f"{notes.port.name}: it answers, but gives no register there; try other addresses with --registers"
                )
            _look(search, looks, asks, temperature_unit)
        finally:
            search.close()
            if notes_file is not None:
                save_notes(notes, notes_file)
        found = search.candidates()
        chosen = _chosen(found, asks and len(found) > 1 and not search.is_settled(), as_json)
        file = _write(search, chosen, channel_name, oven_name, written, where, asks)
        if as_json:
            click.echo(json.dumps(find_object(search, found, file, stopped), ensure_ascii=False, allow_nan=False))
        else:
            _tell(search, found, chosen, file, channel_name)
    sys.exit(0 if found or not notes.looks else 1)


def _beginning(
    where: str | None,
    baud: int,
    parity: Literal["none", "even", "odd"],
    framing: str | None,
    unit_address: int,
    controller_name: str | None,
    notes_file: Path | None,
    gap: str,
    deadline: str,
) -> tuple["Notes", "ControllerSettings"]:
    """Where to begin: earlier notes, an oven file, or a port with its settings."""
    from logger.controllers.settings import ControllerSettings, Framing, PortSettings
    from logger.display_search import Notes, load_notes

    deadline_s = _duration_s("--deadline", deadline)
    controller = ControllerSettings(
        "controller",
        (),
        gap_s=_duration_s("--gap", gap),
        answer_deadline_s=deadline_s,
        slowest_answer_s=2.0 * deadline_s,
    )
    if notes_file is not None and notes_file.exists():
        notes = load_notes(notes_file)
        return notes, replace(controller, unit_address=notes.unit_address)
    if where is not None and where.lower().endswith(".toml"):
        return _from_oven_file(Path(where), controller_name)
    port = where or _only_port()
    chosen = Framing(framing) if framing else Framing.TCP if port.startswith("tcp://") else Framing.RTU
    data_bits = 7 if chosen is Framing.ASCII and parity != "none" else 8
    return Notes(PortSettings(port, chosen, baud, parity, data_bits), unit_address), controller


def _from_oven_file(path: Path, controller_name: str | None) -> tuple["Notes", "ControllerSettings"]:
    from logger.controllers.settings import Framing
    from logger.display_search import Notes
    from logger.oven_file import read_oven

    oven = read_oven(path)
    known = [
        (port, controller)
        for port in oven.ports
        if port.framing in (Framing.RTU, Framing.ASCII, Framing.TCP)
        for controller in port.controllers
    ]
    if not known:
        raise InputFault(Fault(str(path), "no Modbus controller", "one: only these have registers"))
    names = [controller.name for _, controller in known]
    if controller_name is None and len(known) > 1:
        raise InputFault(Fault("--controller", f"nothing, and {path} has several", " or ".join(names)))
    if controller_name is not None and controller_name not in names:
        raise InputFault(Fault("--controller", f'"{controller_name}"', " or ".join(names)))
    port, controller = known[names.index(controller_name) if controller_name else 0]
    return Notes(replace(port, controllers=()), controller.unit_address), controller


def _only_port() -> str:
    from logger.controllers.port_names import present_ports

    ports = [port.stable_name for port in present_ports()]
    if len(ports) == 1:
        click.echo(f"Using {ports[0]}, the only serial port there is.", err=True)
        return ports[0]
    expected = f"one of: {', '.join(ports)}" if ports else "a serial port, or tcp://host:port; none is plugged in now"
    raise InputFault(Fault("PORT", "nothing", expected))


def _duration_s(option: str, text: str) -> float:
    from logger.quantities import DURATION

    try:
        return DURATION.read(text).value
    except ValueError as refusal:
        raise InputFault(Fault(option, f'"{text}"', str(refusal))) from None


def _span(text: str) -> tuple[int, int]:
    """First address and the one after the last."""
    match = re.fullmatch(r"\s*(\d{1,5})\s*-\s*(\d{1,5})\s*", text)
    if match is None or not int(match[1]) <= int(match[2]) <= 65535:
        raise InputFault(Fault("--registers", f'"{text}"', "first-last, each 0 to 65535, such as 0-300"))
    return int(match[1]), int(match[2]) + 1


def shown_from(text: str, unit: Literal["C", "F"] | None) -> "Shown":
    """What a display shows, from what a person typed: a number with its unit, decimals as they stand there.

    Raises   InputFault    no such thing
    """
    from logger.controllers.register_finder import Shown
    from logger.controllers.settings import ChannelUnit

    match = re.fullmatch(r"\s*([-+]?\d+)(?:[.,](\d+))?\s*°?\s*([CFcf])?\s*", text)
    named = (match[3] or unit or "").upper() if match else ""
    if match is None or not named:
        raise InputFault(Fault("the display", f'"{text}"', "a temperature with its unit, such as 21.4 C or 72 F"))
    decimals = match[2] or ""
    return Shown(float(f"{match[1]}.{decimals or '0'}"), ChannelUnit(named), len(decimals))


def _scan(
    search: "DisplaySearch",
    windows: list[tuple[int, int]],
    functions: list[int],
    progress: ProgressLine,
    stop: threading.Event,
) -> None:
    from logger.controllers.register_finder import USUAL_WINDOWS

    def told(tried: int, of: int, found: int) -> None:
        progress.tell(f"reading: {tried} of {of} registers tried, {found} are there (Ctrl-C: enough)", tried / of)

    search.scan(windows or USUAL_WINDOWS, functions or (3, 4), told, stop)


def _look(
    search: "DisplaySearch", looks: list["Shown"], asks: bool, temperature_unit: Literal["C", "F"] | None
) -> None:
    """Look at the display as often as is wanted, or needed and possible."""
    with ProgressLine() as progress:
        for shown in looks:
            search.look(shown, progress.tell)
    while asks and len(search.notes.looks) < MOST_LOOKS and not _is_enough(search):
        first = not search.notes.looks
        try:
            said = click.prompt(FIRST_QUESTION if first else NEXT_QUESTION, default="", show_default=False, err=True)
        except click.Abort:
            return  # what is known by now is told
        if not said.strip():
            return
        try:
            shown = shown_from(said, temperature_unit)
        except InputFault as refusal:
            click.echo(str(refusal), err=True)
            continue
        with ProgressLine() as progress:
            count = len(search.look(shown, progress.tell))
        click.echo(f"{count or 'No'} {'way fits' if count == 1 else 'ways fit'} so far.", err=True)
        if not count:
            return


def _is_enough(search: "DisplaySearch") -> bool:
    """Two looks at different temperatures that leave one reading."""
    shown = {look.shown.value for look in search.notes.looks}
    return len(shown) >= 2 and search.is_settled()


def _chosen(found: list["Candidate"], asks: bool, as_json: bool) -> "Candidate | None":
    if not found or not asks:
        return found[0] if found else None
    for number, candidate in enumerate(found[:OFFERED], start=1):
        click.echo(f"  {number}. {candidate.why()}", err=True)
    try:
        number = click.prompt("Which one?", type=click.IntRange(1, min(OFFERED, len(found))), default=1, err=True)
    except click.Abort:
        number = 1
    return found[int(number) - 1]


def _write(
    search: "DisplaySearch",
    chosen: "Candidate | None",
    channel_name: str,
    oven_name: str,
    written: Path | None,
    where: str | None,
    asks: bool,
) -> Path | None:
    """Write the oven file where one was asked for, or may be offered; returns where."""
    from logger.oven_text import FoundChannel, oven_text

    if chosen is None:
        return None
    from_oven_file = where is not None and where.lower().endswith(".toml")
    if written is None and asks and not from_oven_file and not NEW_OVEN_FILE.exists():
        try:
            if click.confirm(f"Write {NEW_OVEN_FILE}?", default=True, err=True):
                written = NEW_OVEN_FILE
        except click.Abort:
            return None
    if written is None:
        return None
    channel = FoundChannel(channel_name, chosen.source(), str(chosen.unit))
    doubt = "" if search.is_settled() else UNSETTLED
    text = oven_text(oven_name, search.notes.port, search.controller, [channel], doubt)
    try:
        with written.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise OutsideFault(f"{written}: the oven file could not be written: {error.strerror}") from error
    return written


def _tell(
    search: "DisplaySearch", found: list["Candidate"], chosen: "Candidate | None", file: Path | None, channel_name: str
) -> None:
    from logger.oven_text import FoundChannel, channel_text

    notes = search.notes
    for trial in search.trials:
        if trial.is_understood:
            click.echo(f"It answers with {trial.words}.")
    click.echo(f"{len(notes.found)} registers can be read.")
    if not notes.looks:
        click.echo("Now say what the display shows: --shows, with the same --notes.")
        return
    if chosen is None:
        click.echo(
            "None of them has what the display showed each time. Was the unit right? Did the display change between "
            "reading and typing? Other addresses: --registers 300-2000. A look that was mistyped stays in the notes: "
            "begin new ones."
        )
        return
    click.echo(f"\n{'It is' if search.is_settled() else 'Most likely it is'} register {chosen.why()}.")
    others = [each for each in found if each is not chosen and each.values != chosen.values]
    if others and not search.is_settled():
        click.echo("Not ruled out yet:")
        for each in others[: OFFERED - 1]:
            click.echo(f"  {each.why()}")
    if len({look.shown.value for look in notes.looks}) < 2:
        click.echo("One look cannot tell a temperature from a number that happens to be equal: look again when warmer.")
    if file is None:
        click.echo("\nFor the oven file:\n")
        click.echo(channel_text(FoundChannel(channel_name, chosen.source(), str(chosen.unit))))
    else:
        click.echo(f"\nWritten: {file}. Now: soaktally check {file}")
        if not search.is_settled():
            click.echo(UNSETTLED, err=True)


def find_object(search: "DisplaySearch", found: list["Candidate"], file: Path | None, stopped: bool) -> dict[str, Any]:
    """What a search found, as one JSON object."""
    from logger.oven_text import FoundChannel, channel_text

    notes = search.notes
    return {
        "contract": 1,
        "port": notes.port.name,
        "framing": notes.port.framing.value,
        "baud": notes.port.baud,
        "parity": notes.port.parity,
        "unit_address": notes.unit_address,
        "registers": len(notes.found),
        "stopped": stopped,
        "looks": [
            {"shown": look.shown.value, "unit": look.shown.unit.value, "decimals": look.shown.decimals}
            for look in notes.looks
        ],
        "settled": search.is_settled(),
        "candidates": [
            {
                "register": each.register.address,
                "function": each.register.function_code,
                "counted_from": 0,
                "number": each.number.value,
                "word_order": each.word_order,
                "scale": each.scale,
                "unit": each.unit.value,
                "values": list(each.values),
                "misses": list(each.misses),
                "why": each.why(),
                "oven_file": channel_text(FoundChannel("air", each.source(), str(each.unit))),
            }
            for each in found[:OFFERED]
        ],
        "written": None if file is None else str(file),
    }
