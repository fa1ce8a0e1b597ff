"""``soaktally demo``: a whole heat of the simulated oven."""

import threading
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import length_option, temperature_option, told_plainly
from logger.commands.situations import alert_words, in_units, shown


@click.command()
@click.option("--heat", default="plane-iron", show_default=True, help="Which heat: plane-iron, too-hot or temper.")
@click.option("--folder", default="demo-run", show_default=True, type=click.Path(path_type=Path), help="Where it goes.")
@click.option("--speed", default=300.0, show_default=True, help="How much faster than real time.")
@click.option("--webhook", metavar="URL", help="An address that is told of every alert, too.")
@click.option("--tap", metavar="FILE.csv", type=click.Path(path_type=Path), help="Keep every frame on the wire here.")
@temperature_option
@length_option
def demo(
    heat: str,
    folder: Path,
    speed: float,
    webhook: str | None,
    tap: Path | None,
    temperature_unit: Literal["C", "F"] | None,
    length_unit: Literal["mm", "in"] | None,
) -> None:
    """Watch a whole heat of a simulated oven in about a minute and a half: port, record, alerts, review, picture.

    All data is invented. The clock of the run is the simulated one, and the record says so.
    """
    with told_plainly():
        from logger import daemon
        from logger import demo as demonstration
        from logger.review import review_run
        from logger.views.live_terminal import LiveTerminal
        from logger.views.run_views import snapshot_of

        chosen = demonstration.heat_named(heat)
        folder = demonstration.fresh_folder(folder)
        stop = threading.Event()
        minutes = chosen.duration_h * 60.0 / speed
        click.echo(f"A simulated oven, invented data: {chosen.says}.")
        click.echo(
            f"{chosen.duration_h:g} h of heat, {speed:g} times faster: about {minutes:.1f} min. Ctrl-C stops it.\n"
        )
        with (
            daemon.stopped_by_signals(stop),
            LiveTerminal(footer="Simulated oven, invented data. Ctrl-C stops the demonstration.") as view,
        ):
            done = demonstration.demonstrate(
                folder,
                chosen,
                speed,
                stop,
                webhook=webhook,
                show=lambda now: view.show(snapshot_of(in_units(now, temperature_unit, length_unit))),
                say=lambda event: None if event.phase == "reminded" else view.say(alert_words(event)),
                tell=view.say,
                tap=tap,
            )
        situation = review_run(done.record, done.run)
        click.echo("")
        shown(in_units(situation, temperature_unit, length_unit), folder / f"run-{done.run}.png", quiet=False)
        click.echo(f"\nThe oven file, the run sheet and the record are in {folder}. Look again with:")
        click.echo(f"  soaktally review {done.run} --record {done.record}")
