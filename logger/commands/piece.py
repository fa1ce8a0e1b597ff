"""``soaktally piece``: a piece of steel from step to step, before and after its heats."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from logger.commands.progress import done_telling, tell
from logger.commands.shared_options import (
    length_option,
    quantity_of,
    record_option,
    temperature_option,
    told_plainly,
)
from logger.errors import Fault, InputFault, OutsideFault, said_in
from logger.quantities import CARBON, DURATION, LENGTH, TEMPERATURE, TEMPERATURE_DIFFERENCE
from logger.units import DisplayUnits

if TYPE_CHECKING:
    from logger.piece_ledger import Ledger, Units
    from logger.piece_now import PieceNow
    from logger.piece_steps import Entry, Step

TemperatureChoice = Literal["C", "F"] | None
LengthChoice = Literal["mm", "in"] | None

LEDGER = "soaktally.ledger"
"""Where a command keeps its ledger."""

FACES = ("sealed", "open air", "pack")


def shown_options(command: Callable[..., None]) -> Callable[..., None]:
    """What every step takes besides its own: the record, a note, units, --json, --picture."""
    picture = click.option(
        "--picture",
        metavar="FILE.png",
        type=click.Path(readable=False, path_type=Path),
        help="Draw before and after into this file.",
    )
    as_json = click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
    note = click.option("--note", default="", metavar="TEXT", help="A note to keep with the step.")
    for option in (length_option, temperature_option, picture, as_json, note, record_option):
        command = option(command)
    return command


@click.group()
def piece() -> None:
    """Keep a piece's ledger: every heat, grind, weld and quench, and what carbon and hardness it has after each.

    Lengths, temperatures and times carry their unit: "3 mm", "1/8 in", "1100 C", "2000 F", "10 min".
    """


@piece.command("new")
@click.argument("name")
@click.option("--thickness", metavar="LENGTH", help="Of a flat piece.")
@click.option("--diameter", metavar="LENGTH", help="Of a round.")
@click.option("--carbon", required=True, metavar="PERCENT", help='Carbon by weight, such as "0.05 %".')
@click.option("--carbon-within", metavar="PERCENT", help="One-sigma error of that; left out, what a grade allows.")
@click.option("--alloy", default="", metavar="LIST", help="What is known of the rest, such as Mn=0.45,Si=0.10.")
@click.option("--steel", default="", metavar="WORDS", help="What to call the steel.")
@click.option(
    "--lot",
    "iron_lot",
    default="",
    metavar="WORDS",
    help="The lot of iron, as on run sheets: its coupons say what carbon it has.",
)
@click.option("--wide", metavar="LENGTH", help="Width, so that stacks are checked.")
@click.option("--long", "long_", metavar="LENGTH", help="Length of each.")
@click.option("--count", default=1, show_default=True, help="How many alike.")
@shown_options
def new(
    name: str,
    thickness: str | None,
    diameter: str | None,
    carbon: str,
    carbon_within: str | None,
    alloy: str,
    steel: str,
    iron_lot: str,
    wide: str | None,
    long_: str | None,
    count: int,
    **shown: Any,
) -> None:
    """Begin a piece of even steel."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Begin
        from logger.sheet_parts import Shape

        if (thickness is None) == (diameter is None):
            found = "neither" if thickness is None else "both"
            raise InputFault(Fault("--thickness or --diameter", found, "one of them"))
        size_m = words.length("--thickness", thickness) if thickness else words.length("--diameter", diameter or "")
        step = Begin(
            shape=Shape.PLATE if thickness else Shape.ROUND,
            size_m=size_m,
            carbon_wt_pct=words.carbon("--carbon", carbon),
            carbon_spread_wt_pct=None if carbon_within is None else words.carbon("--carbon-within", carbon_within),
            alloy_wt_pct=alloy_of(alloy),
            iron_lot=iron_lot,
            steel=steel,
            width_m=None if wide is None else words.length("--wide", wide),
            length_m=None if long_ is None else words.length("--long", long_),
            count=count,
        )
        _entered(name, step, words, shown)


@piece.command("heat")
@click.argument("name")
@click.option("--run", metavar="RUN", help='A recorded run, or "last".')
@click.option("--at", "at", metavar="TEMPERATURE", help="A heat nobody logged: how hot the steel was.")
@click.option("--for", "for_", metavar="TIME", help="How long it was that hot.")
@click.option(
    "--to",
    "purpose",
    default="forge",
    show_default=True,
    type=click.Choice(["weld", "forge", "even out", "normalize", "anneal", "carburize"]),
    help="What it was for.",
)
@click.option("--faces", default="sealed", show_default=True, type=click.Choice(["sealed", "open air"]))
@click.option("--pack", "recipe", default="", metavar="RECIPE", help="It lay in a pack of this recipe.")
@click.option("--pack-lot", default="", metavar="WORDS", help="Its batch, as on run sheets.")
@click.option("--give-or-take", metavar="DEGREES", help="One-sigma error of the temperature; left out, by eye.")
@click.option("--corrected", is_flag=True, help="A recorded run by what coupons have taught since it was watched.")
@shown_options
def heat(
    name: str,
    run: str | None,
    at: str | None,
    for_: str | None,
    purpose: str,
    faces: str,
    recipe: str,
    pack_lot: str,
    give_or_take: str | None,
    corrected: bool,
    **shown: Any,
) -> None:
    """A heat: a recorded run, or one typed in. A bare piece in a fire loses carbon: say --faces "open air"."""
    with _entering(name, shown) as words:
        from logger.piece_steps import BY_EYE_SPREAD_K, HeatFor, HeatRun, HeatTyped
        from logger.sheet_parts import SurfaceKind

        if (run is None) == (at is None):
            raise InputFault(Fault("--run or --at", "neither" if run is None else "both", "one of them"))
        if run is not None:
            _entered(name, HeatRun(run), words, shown, corrected=corrected)
            return
        if for_ is None:
            raise InputFault(Fault("--for", "nothing", DURATION.expected))
        if purpose == HeatFor.CARBURIZE and not recipe:
            raise InputFault(
                Fault("--pack", "nothing", "the recipe of the pack that a carburizing heat takes carbon from")
            )
        step = HeatTyped(
            purpose=HeatFor(purpose),
            temperature_K=words.temperature("--at", at or ""),
            duration_s=words.duration("--for", for_),
            surface=SurfaceKind.PACK if recipe else SurfaceKind(faces),
            recipe=recipe,
            pack_lot=pack_lot,
            spread_K=BY_EYE_SPREAD_K if give_or_take is None else words.difference("--give-or-take", give_or_take),
        )
        _entered(name, step, words, shown)


@piece.command("grind")
@click.argument("name")
@click.option("--front", metavar="LENGTH", help="Taken off the front face.")
@click.option("--back", metavar="LENGTH", help="Taken off the back face.")
@click.option("--both", metavar="LENGTH", help="Taken off each face; off all round from a round.")
@shown_options
def grind(name: str, front: str | None, back: str | None, both: str | None, **shown: Any) -> None:
    """Grind steel away."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Grind
        from logger.sheet_parts import Shape

        if both is not None and (front or back):
            raise InputFault(Fault("--both", "together with --front or --back", "one or the other"))
        if both is not None:
            depth_m = words.length("--both", both)
            state = _ledger(shown).now(name)
            step = Grind(depth_m) if state.section.shape is Shape.ROUND else Grind(depth_m, depth_m)
        else:
            step = Grind(*(0.0 if off is None else words.length("--front or --back", off) for off in (front, back)))
        _entered(name, step, words, shown)


@piece.command("stack")
@click.argument("name")
@click.argument("parts", nargs=-1, required=True, metavar="PIECE[*MANY][:turned]...")
@click.option("--count", default=1, show_default=True, help="How many such stacks.")
@shown_options
def stack(name: str, parts: tuple[str, ...], count: int, **shown: Any) -> None:
    """Lay pieces on each other, front to back, and join them into a new piece NAME.

    "strap*2" is two of them, "strap:turned" one with its back face in front. The welding heat is the next step.
    """
    with _entering(name, shown) as words:
        from logger.piece_ledger import stack_part
        from logger.piece_steps import Stack

        ledger = _ledger(shown)
        chosen = [part for each in parts for part in stack_part(each, ledger)]
        words.units = ledger.units(chosen[0].piece)
        _entered(name, Stack(tuple(chosen), count), words, shown)


@piece.command("clad")
@click.argument("name")
@click.option("--thickness", required=True, metavar="LENGTH", help="Of the jacket, on each face.")
@click.option("--carbon", required=True, metavar="PERCENT", help="Of the jacket.")
@click.option("--carbon-within", metavar="PERCENT", help="One-sigma error of that; left out, what a grade allows.")
@click.option("--steel", default="jacket", show_default=True, metavar="WORDS", help="What to call it.")
@click.option("--alloy", default="", metavar="LIST", help="What is known of the rest, such as Mn=0.45,Cr=13.")
@click.option("--on", "faces", default="both", show_default=True, type=click.Choice(["both", "front", "back"]))
@shown_options
def clad(
    name: str,
    thickness: str,
    carbon: str,
    carbon_within: str | None,
    steel: str,
    alloy: str,
    faces: str,
    **shown: Any,
) -> None:
    """Join a jacket of other steel to one or both faces. The welding heat is the next step."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Clad

        step = Clad(
            steel=steel,
            thickness_m=words.length("--thickness", thickness),
            carbon_wt_pct=words.carbon("--carbon", carbon),
            carbon_spread_wt_pct=None if carbon_within is None else words.carbon("--carbon-within", carbon_within),
            alloy_wt_pct=alloy_of(alloy),
            front=faces != "back",
            back=faces != "front",
        )
        _entered(name, step, words, shown)


@piece.command("draw-out")
@click.argument("name")
@click.option("--to", "size", metavar="LENGTH", help="The new thickness or diameter.")
@click.option("--ratio", type=float, metavar="NUMBER", help="Instead: how many times thinner, such as 2.")
@click.option("--wide", metavar="LENGTH", help="The new width, if that changed.")
@shown_options
def draw_out(name: str, size: str | None, ratio: float | None, wide: str | None, **shown: Any) -> None:
    """Forge it thinner, or upset it to twice its size at most: distances in it shrink or grow in proportion."""
    with _entering(name, shown) as words:
        from logger.piece_steps import DrawOut

        if (size is None) == (ratio is None):
            raise InputFault(Fault("--to or --ratio", "neither" if size is None else "both", "one of them"))
        if ratio is not None:
            if not 0.5 <= ratio <= 50.0:
                raise InputFault(Fault("--ratio", f"{ratio:g}", "0.5 (upset to twice its size) to 50"))
            size_m = _ledger(shown).now(name).section.size_m / ratio
        else:
            size_m = words.length("--to", size or "")
        _entered(name, DrawOut(size_m, None if wide is None else words.length("--wide", wide)), words, shown)


@piece.command("fold")
@click.argument("name")
@click.option("--times", default=1, show_default=True, help="How many times, without a heat between.")
@shown_options
def fold(name: str, times: int, **shown: Any) -> None:
    """Turn it back on itself, front face inside, and draw it out to the thickness it had. The heat is the next step."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Fold

        _entered(name, Fold(times), words, shown)


@piece.command("cut")
@click.argument("name")
@click.option("--into", "pieces", required=True, type=int, help="How many equal pieces.")
@click.option("--across", is_flag=True, help="Across the width instead of along the length.")
@shown_options
def cut(name: str, pieces: int, across: bool, **shown: Any) -> None:
    """Cut it into equal pieces."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Cut

        _entered(name, Cut(pieces, across), words, shown)


@piece.command("quench")
@click.argument("name")
@click.option("--from", "from_", required=True, metavar="TEMPERATURE", help="Of the steel just before the quench.")
@click.option(
    "--in", "bath", required=True, type=click.Choice(["brine", "water", "fast oil", "slow oil"]), help="The bath."
)
@shown_options
def quench(name: str, from_: str, bath: str, **shown: Any) -> None:
    """Harden it. Oil can catch fire: see the caution it prints."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Quench
        from logger.sheet_parts import Bath

        _entered(name, Quench(words.temperature("--from", from_), Bath(bath)), words, shown)


@piece.command("temper")
@click.argument("name")
@click.option("--run", metavar="RUN", help='A recorded temper, or "last".')
@click.option("--at", "at", metavar="TEMPERATURE", help="A temper nobody logged: how hot.")
@click.option("--for", "for_", metavar="TIME", help="How long.")
@click.option("--times", default=1, show_default=True, help="How many times over.")
@shown_options
def temper(name: str, run: str | None, at: str | None, for_: str | None, times: int, **shown: Any) -> None:
    """Temper it: a recorded run, or one typed in."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Temper, TemperRun

        if (run is None) == (at is None or for_ is None):
            raise InputFault(Fault("--run or --at with --for", "not one of them", "one of them"))
        if run is not None:
            _entered(name, TemperRun(run), words, shown)
            return
        step = Temper(words.temperature("--at", at or ""), words.duration("--for", for_ or ""), times)
        _entered(name, step, words, shown)


@piece.command("measure")
@click.argument("name")
@click.option("--hardness", type=float, metavar="HRC", help="Rockwell C.")
@click.option("--carbon", metavar="PERCENT", help="Carbon at a depth.")
@click.option("--mean-carbon", metavar="PERCENT", help="Carbon of all of it.")
@click.option("--depth", default="0 mm", show_default=True, metavar="LENGTH", help="Below the front face.")
@shown_options
def measure(
    name: str, hardness: float | None, carbon: str | None, mean_carbon: str | None, depth: str, **shown: Any
) -> None:
    """Keep something measured on it, and see it beside what was reckoned."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Finding, Measure

        given = [each for each in (hardness, carbon, mean_carbon) if each is not None]
        if len(given) != 1:
            found = f"{len(given)} of them"
            raise InputFault(Fault("--hardness, --carbon or --mean-carbon", found, "one"))
        depth_m = words.length("--depth", depth)
        if hardness is not None:
            step = Measure(Finding.HARDNESS, hardness, depth_m)
        elif carbon is not None:
            step = Measure(Finding.CARBON, words.carbon("--carbon", carbon), depth_m)
        else:
            step = Measure(Finding.MEAN_CARBON, words.carbon("--mean-carbon", mean_carbon or ""))
        _entered(name, step, words, shown)


@piece.command("undo")
@click.argument("name")
@click.option("--step", "number", default=0, metavar="NUMBER", help="The last standing step; left out, that one.")
@shown_options
def undo(name: str, number: int, **shown: Any) -> None:
    """Cross out the last step: it stays in the ledger and does not count."""
    with _entering(name, shown) as words:
        from logger.piece_steps import Undo

        _entered(name, Undo(number), words, shown)


@piece.command("show")
@click.argument("name")
@shown_options
def show(name: str, **shown: Any) -> None:
    """Show a piece: its ledger, its carbon and hardness, what to do next, and a picture with a panel for each step."""
    with told_plainly():
        ledger = _ledger(shown)
        ledger.known(name)
        picture = shown["picture"] or (None if shown["as_json"] else Path(f"piece-{name.replace(' ', '-')}.png"))
        _show(ledger, name, {**shown, "picture": picture}, every_step=True)


@piece.command("list")
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON array, for programs.")
@temperature_option
@length_option
def list_pieces(record: Path, as_json: bool, temperature_unit: TemperatureChoice, length_unit: LengthChoice) -> None:
    """List the pieces in a record."""
    with told_plainly():
        from logger.piece_ledger import Ledger
        from logger.piece_now import piece_now
        from logger.views.piece_contract import now_object
        from logger.views.piece_text import pieces_text

        if not record.exists():
            raise InputFault(Fault(f"record {record}", "no such file", "a record; `soaktally piece new` begins one"))
        ledger = Ledger(record, tell)
        standing = [name for name in ledger.pieces if ledger.last_step(name)]
        pieces = [piece_now(ledger.now(name), with_hardness=as_json) for name in standing]
        if as_json:
            click.echo(json.dumps([now_object(now) for now in pieces], ensure_ascii=False, allow_nan=False))
            return
        shown = {"temperature_unit": temperature_unit, "length_unit": length_unit}
        click.echo(pieces_text([(now, _display(ledger, now.state.name, shown)) for now in pieces]))


@piece.command("even")
@click.argument("name")
@click.option("--at", "at", required=True, metavar="TEMPERATURE", help="Of every heat.")
@click.option("--for", "for_", required=True, metavar="TIME", help="At heat, each time.")
@click.option("--within", default="0.05 %", show_default=True, metavar="PERCENT", help="What counts as even.")
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@temperature_option
@length_option
def even(
    name: str,
    at: str,
    for_: str,
    within: str,
    record: Path,
    as_json: bool,
    temperature_unit: TemperatureChoice,
    length_unit: LengthChoice,
) -> None:
    """Ask how long, how many heats or how many folds until its carbon is even. Nothing is entered."""
    shown = {"record": record, "temperature_unit": temperature_unit, "length_unit": length_unit}
    with _entering(name, shown) as words:
        from logger.piece_now import evening
        from logger.views.piece_contract import evening_object
        from logger.views.piece_text import evening_text

        ledger = _ledger(shown)
        temperature_K, heat_s = words.temperature("--at", at), words.duration("--for", for_)
        found = evening(ledger.now(name), temperature_K, heat_s, words.carbon("--within", within))
        if as_json:
            click.echo(json.dumps(evening_object(name, found), ensure_ascii=False, allow_nan=False))
            return
        click.echo(evening_text(name, found, _display(ledger, name, shown)))


# What they share


class _Words:
    """Reads quantities from the command line and remembers the units they were written in."""

    def __init__(self) -> None:
        from logger.piece_ledger import Units

        self.units: Units = Units()

    def length(self, option: str, words: str) -> float:
        """A length [m]."""
        from dataclasses import replace

        written = quantity_of(option, LENGTH, words)
        unit: LengthChoice = "in" if written.unit in ("in", "thou") else "mm"
        self.units = replace(self.units, length=self.units.length or unit)
        return written.value

    def temperature(self, option: str, words: str) -> float:
        """A temperature [K]."""
        from dataclasses import replace

        written = quantity_of(option, TEMPERATURE, words)
        self.units = replace(self.units, temperature="F" if written.unit == "F" else "C")
        return written.value

    def difference(self, option: str, words: str) -> float:
        """A difference of temperatures [K]."""
        return quantity_of(option, TEMPERATURE_DIFFERENCE, words).value

    def duration(self, option: str, words: str) -> float:
        """A time [s]."""
        return quantity_of(option, DURATION, words).value

    def carbon(self, option: str, words: str) -> float:
        """Carbon [wt%]."""
        return quantity_of(option, CARBON, words).value


@contextmanager
def _entering(name: str, shown: dict[str, Any]) -> Iterator[_Words]:
    """What is typed, and every refusal in the units it was typed in, else in the piece's own."""
    words = _Words()
    with told_plainly():
        try:
            yield words
        except InputFault:
            own = _opened_ledger_units(name)
            temperature = words.units.temperature or own.temperature or "C"
            with said_in(DisplayUnits(temperature, words.units.length or own.length or "mm")):
                raise


def _opened_ledger_units(name: str) -> "Units":
    """The units a piece was last written in, where the ledger has been read."""
    from logger.piece_ledger import Units

    ledger = click.get_current_context().meta.get(LEDGER)
    return Units() if ledger is None else ledger.units(name)


def alloy_of(words: str) -> dict[str, float]:
    """An alloy [wt% by element] written as Mn=0.45,Si=0.10. Raises InputFault."""
    alloy: dict[str, float] = {}
    for part in filter(None, (each.strip() for each in words.split(","))):
        element, equals, number = (each.strip() for each in part.partition("="))
        try:
            alloy[element] = float(number)
        except ValueError:
            raise InputFault(Fault("--alloy", f'"{part}"', "a list such as Mn=0.45,Si=0.10")) from None
        if not equals:
            raise InputFault(Fault("--alloy", f'"{part}"', "a list such as Mn=0.45,Si=0.10"))
    return alloy


def _ledger(shown: dict[str, Any]) -> "Ledger":
    """The ledger of this command: read, and its heats worked out, only once."""
    from logger.piece_ledger import Ledger

    known = click.get_current_context().meta
    if LEDGER not in known:
        known[LEDGER] = Ledger(shown["record"], tell)
    ledger: Ledger = known[LEDGER]
    return ledger


def _display(ledger: "Ledger", name: str, shown: dict[str, Any]) -> DisplayUnits:
    units = ledger.units(name)
    temperature: TemperatureChoice = shown["temperature_unit"] or units.temperature
    length: LengthChoice = shown["length_unit"] or units.length
    return DisplayUnits(temperature or "C", length or "mm")


def _entered(name: str, step: "Step", words: "_Words", shown: dict[str, Any], corrected: bool = False) -> None:
    """Enter a step and show what the piece is then."""
    ledger = _ledger(shown)
    ledger.enter(name, step, utc_s=time.time(), note=shown["note"], units=words.units, corrected=corrected)
    if not ledger.last_step(name):
        click.echo(f"{name}: every step of it is undone now.")
        return
    _show(ledger, name, shown, every_step=False)


def _show(ledger: "Ledger", name: str, shown: dict[str, Any], every_step: bool) -> None:
    from logger.piece_now import piece_now
    from logger.piece_steps import Measure
    from logger.views.piece_contract import piece_object
    from logger.views.piece_text import ledger_text

    units = _display(ledger, name, shown)
    states = {entry.number: state for entry, state in ledger.states(name)}
    last = max(states)
    lines: list[tuple[Entry, PieceNow | None]] = []
    for entry in ledger.entries(name):
        wanted = entry.number == last or isinstance(entry.step, Measure)
        state = states.get(entry.number)
        lines.append((entry, None if state is None else piece_now(state, with_hardness=wanted)))
    now = next(then for entry, then in lines if entry.number == last and then is not None)
    done_telling()
    if shown["as_json"]:
        click.echo(json.dumps(piece_object(lines, now), ensure_ascii=False, allow_nan=False))
    else:
        click.echo(ledger_text(name, lines, now, units, None))
    picture: Path | None = shown["picture"]
    if picture is not None:
        _draw(name, lines, units, picture, every_step)
        click.echo(f"\nPicture: {picture}", err=shown["as_json"])


def _draw(
    name: str, lines: "list[tuple[Entry, PieceNow | None]]", units: DisplayUnits, picture: Path, every_step: bool
) -> None:
    from logger.piece_steps import Cut, Measure, Quench, Temper, TemperRun, Used
    from logger.views.piece_picture import StepPanel, save_piece_png

    unchanged = (Cut, Measure, Used, Quench, Temper, TemperRun)
    panels = [StepPanel(entry, then) for entry, then in lines if then is not None]
    changed = [panel for panel in panels if not isinstance(panel.entry.step, unchanged)]
    chosen = changed or panels[-1:]
    try:
        save_piece_png(name, chosen if every_step else chosen[-2:], panels[-1].now, units, picture)
    except OSError as error:
        raise OutsideFault(f"{picture}: the picture could not be written: {error.strerror}") from error
