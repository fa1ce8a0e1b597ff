"""``soaktally trend``: whether an oven's element or thermocouple is dying, run by run."""

import json
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import record_option, temperature_option, told_plainly


@click.command()
@record_option
@click.option("--oven", metavar="NAME", help="Only this oven.")
@click.option("--last", metavar="N", type=click.IntRange(min=1), help="Only the last N runs of each oven.")
@click.option("--json", "as_json", is_flag=True, help="One JSON array with an object for each oven, for programs.")
@click.option(
    "--picture", metavar="FILE.png", type=click.Path(readable=False, path_type=Path), help="Draw it; for one oven."
)
@temperature_option
def trend(
    record: Path,
    oven: str | None,
    last: int | None,
    as_json: bool,
    picture: Path | None,
    temperature_unit: Literal["C", "F"] | None,
) -> None:
    """Tell from the recorded runs whether an oven is getting weak.

    Compares how many minutes at full power every run took from 200 to 600 C and how much output it needed to hold,
    and says in plain words when an element is wearing or dying, or a thermocouple drifts. Needs at least four runs,
    and a controller whose output is logged.
    """
    with told_plainly():
        from logger.errors import Fault, InputFault, OutsideFault
        from logger.oven_trend import trend as trend_of
        from logger.season import efforts_of
        from logger.units import DisplayUnits
        from logger.views.trend import draw_trend, trend_object, trend_text

        units = DisplayUnits(temperature=temperature_unit or "C")
        trends = {name: trend_of(efforts) for name, efforts in efforts_of(record, oven).items()}
        if last is not None:
            trends = {name: trend_of(one.efforts[-last:]) for name, one in trends.items()}
        if picture is not None and len(trends) > 1:
            raise InputFault(Fault("--picture", f"{len(trends)} ovens", f"one of them: --oven {next(iter(trends))!r}"))
        if as_json:
            click.echo(json.dumps([trend_object(name, one) for name, one in trends.items()], ensure_ascii=False))
        else:
            click.echo("\n\n".join(trend_text(name, one, units, None) for name, one in trends.items()))
        for name, one in trends.items() if picture is not None else ():
            from logger.views.plots import png

            assert picture is not None
            try:
                picture.write_bytes(png(draw_trend(name, one, units, None)))
            except OSError as error:
                raise OutsideFault(f"{picture}: the picture could not be written: {error.strerror}") from error
            click.echo(f"\nPicture: {picture}", err=as_json)
