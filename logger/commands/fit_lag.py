"""``soaktally fit-lag``: learn a canister's lag from one heat logged with both thermocouples."""

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from logger.commands.shared_options import length_option, record_option, temperature_option, told_plainly
from logger.errors import Fault, InputFault, OutsideFault

if TYPE_CHECKING:
    from logger.review import LoggedHeat


@click.command("fit-lag")
@click.argument("what", metavar="RUN|TRACE.csv")
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(readable=False, path_type=Path),
    help="The run sheet with the canister; for a recorded run, another one than its own.",
)
@click.option("--oven-channel", metavar="NAME", help="The thermocouple in the oven.")
@click.option("--inside-channel", metavar="NAME", help="The thermocouple inside the canister.")
@click.option("--write", is_flag=True, help="Write the lag into the sheet without asking.")
@click.option(
    "--into",
    "files",
    metavar="SHEET.toml",
    multiple=True,
    type=click.Path(readable=False, path_type=Path),
    help="Write it into this sheet of the same canister instead; may be given again.",
)
@record_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs; no picture.")
@click.option(
    "--picture", metavar="FILE.png", type=click.Path(readable=False, path_type=Path), help="Where the picture goes."
)
@temperature_option
@length_option
def fit_lag(
    what: str,
    sheet_file: Path | None,
    oven_channel: str | None,
    inside_channel: str | None,
    write: bool,
    files: tuple[Path, ...],
    record: Path,
    as_json: bool,
    picture: Path | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Learn how far the steel lags behind the oven in this canister, from one heat logged with both thermocouples.

    Shows what the heat says, how well the model then follows the inner thermocouple, and the block for the run sheet's
    canister. Asks before it writes the block into the sheet; the rest of the file stays as it is.
    """
    with told_plainly():
        from logger.estimate import lag_fit
        from logger.review import heat_of_run, heat_of_trace, is_trace
        from logger.sheet_file import read_sheet
        from logger.sheet_lag import block_of, write_lag
        from logger.thermocouple import cautions
        from logger.thermocouple_pair import PairFinding, compare
        from logger.views.lag_report import LagReport, lag_object, lag_text, remark_of
        from logger.views.thermocouple_words import comparison_words

        if is_trace(what):
            if sheet_file is None:
                raise InputFault(Fault("--sheet", "none", f"the run sheet of {what}"))
            heat = heat_of_trace(Path(what), sheet_file, oven_channel or inside_channel)
        else:
            heat = heat_of_run(record, what, sheet_file)
        targets = files or ((sheet_file,) if sheet_file is not None else ())
        if write and not targets:
            raise InputFault(Fault("--write", "no file to write into", "--into SHEET.toml"))
        for file in files:  # one that cannot be used is told before anything is worked out
            read_sheet(file)
        display = heat.sheet.display
        units = replace(
            display, temperature=temperature_unit or display.temperature, length=length_unit or display.length
        )
        oven_name, inside_name = _channels(heat, oven_channel, inside_channel)
        oven, inside = heat.histories[oven_name], heat.histories[inside_name]
        oven_is, inside_is = heat.thermocouple(oven_name), heat.thermocouple(inside_name)
        comparison = compare(oven, inside, oven_is, inside_is, same_place=False)
        if comparison.finding in (PairFinding.REVERSED, PairFinding.SHORTED):
            words = comparison_words(comparison, units).rstrip(".")
            raise InputFault(
                Fault(f"channels {oven_name} and {inside_name}", words, "two thermocouples that both read")
            )

        def tell(number: int) -> None:
            click.echo(f"\rtrying canister {number} ", err=True, nl=False)

        fit = lag_fit.fit(
            oven,
            inside,
            heat.sheet,
            oven_is,
            inside_is,
            on_trial=tell if sys.stderr.isatty() else lambda number: None,
        )
        if sys.stderr.isatty():
            click.echo("\r" + " " * 30 + "\r", err=True, nl=False)
        report = LagReport(
            heat=f"run {heat.run}" if heat.run else Path(what).name,
            oven=oven_name,
            inside=inside_name,
            fit=fit,
            comparison=comparison,
            cautions=cautions(inside_is, float(fit.inside_K.max()), in_carbon=heat.sheet.pack is not None),
            block="",
            has_lag=heat.sheet.canister.lag is not None,
        )
        report = replace(report, block=block_of(fit.lag, remark_of(report, units)))
        written: list[str] = []

        def keep() -> None:
            for file in targets:
                write_lag(file, fit.lag, remark_of(report, units))
                written.append(str(file))

        if write or files:
            keep()
        if as_json:
            click.echo(json.dumps(lag_object(report, written), ensure_ascii=False, allow_nan=False))
            if picture is None:
                return
        else:
            click.echo(lag_text(report, units))
        from logger.views.lag_picture import draw_lag
        from logger.views.plots import png

        at = picture or Path(f"lag-{heat.run or Path(what).stem}.png")
        title = f"Lag of the canister, {report.heat}"
        try:
            at.write_bytes(png(draw_lag(title, oven, fit, report.has_lag, units)))
        except OSError as error:
            raise OutsideFault(f"{at}: the picture could not be written: {error.strerror}") from error
        click.echo(f"\nPicture: {at}", err=as_json)
        if as_json:
            return
        if not written and targets and sys.stdin.isatty() and click.confirm(f"\nWrite the lag into {targets[0]}?"):
            keep()
        click.echo(
            "".join(f"\nThe lag is in {file}; the rest of it is as it was." for file in written)
            or "\nNothing was written. With --write the lag goes into the sheet, with --into FILE into another."
        )


def _channels(heat: "LoggedHeat", oven: str | None, inside: str | None) -> tuple[str, str]:
    """Which channel is the oven's and which is inside, from what was said, the sheet, and what is left."""
    names = sorted(heat.histories)
    listed = ", ".join(names)
    sheet = heat.sheet
    if len(names) < 2:
        expected = "two: one in the oven, one inside the canister"
        raise InputFault(Fault("this heat", f"one thermocouple, {listed}", expected))
    if sheet.channel in names and sheet.channel not in (oven, inside):
        if sheet.canister.sensor == "oven":
            oven = oven or sheet.channel
        else:
            inside = inside or sheet.channel
    left = [name for name in names if name not in (oven, inside)]
    if oven is None and inside is not None and len(left) == 1:
        (oven,) = left
    elif inside is None and oven is not None and len(left) == 1:
        (inside,) = left
    faults = []
    for option, name in (("--oven-channel", oven), ("--inside-channel", inside)):
        if name is None:
            faults.append(Fault(option, "nothing said", f"one of the channels: {listed}"))
        elif name not in names:
            faults.append(Fault(option, f'"{name}"', f"one of the channels: {listed}"))
    if oven is not None and oven == inside:
        faults.append(Fault("--inside-channel", f'"{inside}", the oven\'s own', f"another of the channels: {listed}"))
    if faults or oven is None or inside is None:
        raise InputFault(faults)
    return oven, inside
