"""``soaktally correct``: enter what was measured on coupons, and let the next run believe it."""

import base64
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.commands.progress import done_telling, tell
from logger.commands.shared_options import (
    length_option,
    quantity_of,
    record_option,
    temperature_option,
    told_plainly,
)
from logger.errors import Fault, InputFault, OutsideFault
from logger.quantities import AREA, CARBON, LENGTH, MASS, TEMPERATURE

if TYPE_CHECKING:
    from logger.correction import Learned
    from logger.correction_record import CouponBook, CouponSteel
    from logger.coupon import Kind
    from logger.views.correction_text import SparkNote

MOST_PHOTO_BYTES = 4_000_000


def shown_options(command: Callable[..., None]) -> Callable[..., None]:
    """What everything here takes: the record, units, --json, --picture."""
    picture = click.option(
        "--picture",
        metavar="FILE.png",
        type=click.Path(readable=False, path_type=Path),
        help="Draw before and after into this file.",
    )
    as_json = click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
    for option in (length_option, temperature_option, picture, as_json, record_option):
        command = option(command)
    return command


def coupon_options(command: Callable[..., None]) -> Callable[..., None]:
    """What a coupon is; left out, the one last measured of that run, else the piece on its sheet."""
    options = (
        click.option("--thickness", metavar="LENGTH", help="Of the coupon, both faces in the pack."),
        click.option("--carbon", "start_carbon", metavar="PERCENT", help="The coupon's before the run."),
        click.option("--alloy", metavar="LIST", help="What is known of the rest of it, such as Mn=0.45."),
        click.option("--lot", metavar="WORDS", help="Its lot of iron; left out with a new coupon, one of its own."),
        click.option("--note", default="", metavar="TEXT", help="A note to keep with it."),
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.group(invoke_without_command=True)
@click.option("--guide", is_flag=True, help="Which coupon to put in the can, and what accuracy to expect.")
@click.pass_context
def correct(context: click.Context, guide: bool) -> None:
    """Learn from coupons: weight gain, etched depth, hardness or carbon correct pack and iron for the next run.

    RUN is the run a coupon lay in; "last" is the newest.
    """
    if guide:
        from logger.views.correction_text import guide_text

        click.echo(guide_text())
    elif context.invoked_subcommand is None:
        click.echo(context.get_help())


@correct.command("weight")
@click.argument("run")
@click.option("--before", required=True, metavar="MASS", help='Of the coupon before the run, such as "28.31 g".')
@click.option("--after", required=True, metavar="MASS", help="Of the clean coupon after it.")
@click.option("--area", required=True, metavar="AREA", help='All its faces and edges together, such as "29 cm2".')
@click.option("--within", metavar="MASS", help="One-sigma error of the gain; left out, 0.01 g.")
@coupon_options
@shown_options
def weight(run: str, before: str, after: str, area: str, within: str | None, **shown: Any) -> None:
    """A coupon weighed before and after."""
    with told_plainly():
        from logger.coupon import Kind

        before_kg, after_kg = quantity_of("--before", MASS, before).value, quantity_of("--after", MASS, after).value
        detail = {
            "before_kg": before_kg,
            "after_kg": after_kg,
            "area_m2": quantity_of("--area", AREA, area).value,
            "within": None if within is None else quantity_of("--within", MASS, within).value,
            "words": f"gained {1e3 * (after_kg - before_kg):.3g} g",
        }
        _entered(run, Kind.WEIGHT, detail, shown)


@correct.command("depth")
@click.argument("run")
@click.option("--deep", required=True, metavar="LENGTH", help="The depth that was read.")
@click.option("--to", "to_carbon", metavar="PERCENT", help="It was read to this carbon.")
@click.option(
    "--criterion", type=click.Choice(["core + 0.04 %", "core + 0.07 %"]), help="It was read to where the core begins."
)
@click.option("--within", metavar="LENGTH", help="One-sigma error; left out, 0.05 mm, or 7 % if that is more.")
@coupon_options
@shown_options
def depth(run: str, deep: str, to_carbon: str | None, criterion: str | None, within: str | None, **shown: Any) -> None:
    """A cut and etched case depth, with what it was read to."""
    with told_plainly():
        from logger.coupon import Criterion, Kind

        if (to_carbon is None) == (criterion is None):
            found = "no criterion" if to_carbon is None else "two criteria"
            raise InputFault(Fault("depth", found, "what it was read to: --to a carbon, or --criterion"))
        detail = {
            "depth_m": quantity_of("--deep", LENGTH, deep).value,
            "criterion": str(Criterion.TO_CARBON if criterion is None else Criterion(criterion)),
            "at_carbon_wt_pct": None if to_carbon is None else quantity_of("--to", CARBON, to_carbon).value,
            "within": None if within is None else quantity_of("--within", LENGTH, within).value,
            "words": f"etched depth to {to_carbon or criterion}",
        }
        _entered(run, Kind.DEPTH, detail, shown)


@correct.command("hardness")
@click.argument("run")
@click.option("--reads", required=True, type=float, metavar="HRC", help="Rockwell C, the mean of several.")
@click.option("--depth", "below", required=True, metavar="LENGTH", help="Ground to this depth below the face.")
@click.option("--from", "from_", required=True, metavar="TEMPERATURE", help="It was quenched from this temperature.")
@click.option("--within", type=float, metavar="HRC", help="One-sigma error of the reading; left out, 1.5.")
@coupon_options
@shown_options
def hardness(run: str, reads: float, below: str, from_: str, within: float | None, **shown: Any) -> None:
    """Hardness of a quenched coupon at a ground depth."""
    with told_plainly():
        from logger.coupon import Kind

        detail = {
            "hardness_HRC": reads,
            "depth_m": quantity_of("--depth", LENGTH, below).value,
            "quenched_from_K": quantity_of("--from", TEMPERATURE, from_).value,
            "within": within,
            "words": f"hardness at {below}, quenched from {from_}",
        }
        _entered(run, Kind.HARDNESS, detail, shown)


@correct.command("carbon")
@click.argument("run")
@click.option("--percent", required=True, metavar="PERCENT", help="As analysed.")
@click.option("--depth", "below", metavar="LENGTH", help="At this depth below the face; left out, all of the coupon.")
@click.option("--within", metavar="PERCENT", help="One-sigma error; left out, 0.03 % at a depth, 0.02 % of the whole.")
@coupon_options
@shown_options
def carbon(run: str, percent: str, below: str | None, within: str | None, **shown: Any) -> None:
    """Carbon as a laboratory found it."""
    with told_plainly():
        from logger.coupon import Kind

        detail: dict[str, Any] = {
            "carbon_wt_pct": quantity_of("--percent", CARBON, percent).value,
            "within": None if within is None else quantity_of("--within", CARBON, within).value,
            "words": "carbon of all of it" if below is None else f"carbon at {below}",
        }
        if below is not None:
            detail["depth_m"] = quantity_of("--depth", LENGTH, below).value
        _entered(run, Kind.MEAN_CARBON if below is None else Kind.CARBON, detail, shown)


@correct.command("spark")
@click.argument("run", required=False)
@click.option("--piece", "piece_name", metavar="NAME", help="Of a piece in the ledger instead of a run.")
@click.option("--class", "spark_class", required=True, type=int, metavar="1-5", help="1 wrought iron ... 5 cast iron.")
@click.option("--note", default="", metavar="TEXT", help="What was seen.")
@click.option(
    "--photo", metavar="FILE", type=click.Path(readable=False, path_type=Path), help="A photo, kept in the record."
)
@record_option
def spark(
    run: str | None, piece_name: str | None, spark_class: int, note: str, photo: Path | None, record: Path
) -> None:
    """Keep a spark test as a class of five with a note and a photo. It is never reckoned with."""
    with told_plainly():
        from logger.correction_record import spark_line
        from logger.piece_ledger import Ledger
        from logger.record import append_to_workbench

        if (run is None) == (piece_name is None):
            found = "neither" if run is None else "both"
            raise InputFault(Fault("RUN or --piece", found, "one of them"))
        if run is not None:
            run = _book(record).run_id(run)
        else:
            Ledger(record).known(piece_name or "")
        line = spark_line(
            run=run,
            piece=piece_name,
            utc_s=time.time(),
            spark_class=spark_class,
            note=note,
            photo_name="" if photo is None else photo.name,
            photo_base64="" if photo is None else _photo(photo),
        )
        append_to_workbench(record, line)
        click.echo(f"Kept: sparks of {run or piece_name}, class {spark_class} of 5. Never reckoned with.")


def _photo(photo: Path) -> str:
    try:
        content = photo.read_bytes()
    except OSError as error:
        raise InputFault(Fault(f"--photo {photo}", (error.strerror or "not readable").lower(), "a photo")) from None
    if len(content) > MOST_PHOTO_BYTES:
        found = f"{len(content) / 1e6:.1f} MB"
        raise InputFault(Fault(f"--photo {photo}", found, f"at most {MOST_PHOTO_BYTES / 1e6:.0f} MB"))
    return base64.b64encode(content).decode("ascii")


@correct.command("show")
@click.option("--sheet-table", is_flag=True, help="A [correction] table for a run sheet, and nothing else.")
@click.option("--recipe", default="", metavar="RECIPE", help="For --sheet-table: of this pack recipe.")
@click.option("--lot", default="", metavar="WORDS", help="For --sheet-table: of this lot of iron.")
@shown_options
def show(sheet_table: bool, recipe: str, lot: str, **shown: Any) -> None:
    """Show everything measured and what it says."""
    with told_plainly():
        book = _book(shown["record"])
        learned = book.learned()
        done_telling()
        if sheet_table:
            _sheet_table(learned, recipe, lot)
            return
        _show(book, learned, shown)


def _sheet_table(learned: "Learned | None", recipe: str, lot: str) -> None:
    from logger.views.correction_text import sheet_table

    if learned is not None and not recipe and not lot:
        recipe = learned.recipes[0] if len(learned.recipes) == 1 else ""
        own = [name for name in learned.lots if not name.startswith("coupon of run")]
        lot = own[0] if len(own) == 1 else ""
    correction = None if learned is None else learned.for_names(recipe, lot)
    if correction is None:
        known = "nothing yet" if learned is None else ", ".join((*learned.recipes, *learned.lots))
        raise InputFault(Fault("--recipe and --lot", f'"{recipe}" and "{lot}"', f"something known of: {known}"))
    click.echo(sheet_table(correction))


@correct.command("withdraw")
@click.argument("number", type=int)
@click.option("--note", default="", metavar="TEXT", help="Why.")
@shown_options
def withdraw(number: int, note: str, **shown: Any) -> None:
    """Withdraw a measurement by its number: it stays in the record and does not count."""
    with told_plainly():
        from logger.daemon import software

        book = _book(shown["record"])
        learned = book.withdraw(number, utc_s=time.time(), software=software(), note=note)
        done_telling()
        _show(book, learned, shown)


# What they share


def _book(record: Path) -> "CouponBook":
    from logger.correction_record import CouponBook
    from logger.piece_ledger import recorded_heat

    return CouponBook(record, recorded_heat, tell)


def _entered(run: str, kind: "Kind", detail: dict[str, Any], shown: dict[str, Any]) -> None:
    """Enter a measurement, and show what it changes."""
    from logger.daemon import software

    book = _book(shown["record"])
    run = book.run_id(run)
    learned = book.enter(
        run, kind, _steel(book, run, shown), detail, utc_s=time.time(), software=software(), note=shown["note"]
    )
    done_telling()
    _show(book, learned, shown)


def _steel(book: "CouponBook", run: str, shown: dict[str, Any]) -> "CouponSteel":
    """The coupon as the options and what is known of it say."""
    from logger.commands.piece import alloy_of
    from logger.correction_record import CouponSteel

    thickness, start, alloy, lot = (shown[name] for name in ("thickness", "start_carbon", "alloy", "lot"))
    known = book.last_steel(run)
    if known is None or (thickness is not None and start is not None):
        if thickness is None or start is None:
            missing = "--thickness" if thickness is None else "--carbon"
            raise InputFault(Fault(missing, "nothing", "what the coupon was before the run"))
        return CouponSteel(
            quantity_of("--thickness", LENGTH, thickness).value,
            quantity_of("--carbon", CARBON, start).value,
            alloy_of(alloy or ""),
            lot or "",
        )
    return CouponSteel(
        known.thickness_m if thickness is None else quantity_of("--thickness", LENGTH, thickness).value,
        known.carbon_wt_pct if start is None else quantity_of("--carbon", CARBON, start).value,
        known.alloy_wt_pct if alloy is None else alloy_of(alloy),
        known.lot if lot is None else lot,
    )


def _sparks(record: Path) -> "list[SparkNote]":
    from logger.record import RecordReader
    from logger.views.correction_text import SparkNote

    with RecordReader(record) as reader:
        return [
            SparkNote(row.run or row.piece or "", row.utc_s, row.spark_class, row.note, row.photo_name or "")
            for row in reader.spark_tests()
        ]


def _show(book: "CouponBook", learned: "Learned | None", shown: dict[str, Any]) -> None:
    from logger.units import DisplayUnits
    from logger.views.correction_text import learned_object, learned_text

    numbers = {row.id: row.number for row in book.rows()}
    sparks = _sparks(book.record)
    units = DisplayUnits(shown["temperature_unit"] or "C", shown["length_unit"] or "mm")
    if shown["as_json"]:
        click.echo(json.dumps(learned_object(learned, numbers, sparks), ensure_ascii=False, allow_nan=False))
    elif learned is None:
        click.echo("Nothing measured on coupons counts yet. Which to put in the can: soaktally correct --guide")
    else:
        click.echo(learned_text(learned, numbers, sparks, units, None))
    picture: Path | None = shown["picture"]
    if picture is not None and learned is not None:
        from logger.views.correction_picture import save_learned_png

        try:
            save_learned_png(learned, numbers, units, picture)
        except OSError as error:
            raise OutsideFault(f"{picture}: the picture could not be written: {error.strerror}") from error
        click.echo(f"\nPicture: {picture}", err=shown["as_json"])
