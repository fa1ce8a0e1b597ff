"""What a soak is asked to show, on the command line: shared by the verdict and the evidence."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from logger.commands.shared_options import quantity_of
from logger.errors import Fault, InputFault

if TYPE_CHECKING:
    from logger.acceptance import Requirement
    from logger.quantities import Dimension
    from logger.situation import Situation


@dataclass(frozen=True, slots=True)
class Asked:
    """The options as they were typed; empty: as the sheet says."""

    at: str
    within: str
    for_: str
    uniformity: str
    calibrated_within: int
    channels: tuple[str, ...]


def acceptance_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say what a soak must show."""
    for option in reversed(
        (
            click.option("--at", metavar="TEMPERATURE", default="", help='Such as "925 C"; usual: the sheet\'s.'),
            click.option(
                "--within", metavar="DEGREES", default="", help='Either side, such as "10 C"; usual: the sheet\'s.'
            ),
            click.option(
                "--for", "for_", metavar="TIME", default="", help='Such as "1 h 30 min"; usual: the sheet\'s target.'
            ),
            click.option("--uniformity", metavar="DEGREES", default="", help="The most the thermocouples may differ."),
            click.option(
                "--calibrated-within",
                metavar="DAYS",
                type=click.IntRange(min=0),
                default=365,
                show_default=True,
                help="How old a calibration may be; 0 asks for none.",
            ),
            click.option("--channel", "channels", metavar="NAME", multiple=True, help="Only these thermocouples."),
        )
    ):
        command = option(command)
    return command


def required(situation: "Situation", asked: Asked) -> "Requirement":
    """What was typed, as values; every fault at once.

    Raises   InputFault    something that is no quantity of its kind, or that nobody states
    """
    from logger.quantities import DURATION, TEMPERATURE, TEMPERATURE_DIFFERENCE
    from logger.views.acceptance import requirement_of

    faults: list[Fault] = []

    def read(option: str, text: str, dimension: "Dimension") -> float | None:
        if not text:
            return None
        try:
            return quantity_of(option, dimension, text).value
        except InputFault as refusal:
            faults.extend(refusal.faults)
            return None

    temperature_K = read("--at", asked.at, TEMPERATURE)
    half_band_K = read("--within", asked.within, TEMPERATURE_DIFFERENCE)
    soak_s = read("--for", asked.for_, DURATION)
    uniformity_K = read("--uniformity", asked.uniformity, TEMPERATURE_DIFFERENCE)
    if faults:
        raise InputFault(faults)
    return requirement_of(
        situation,
        temperature_K=temperature_K,
        half_band_K=half_band_K,
        soak_s=soak_s,
        uniformity_K=uniformity_K,
        calibrated_within_days=asked.calibrated_within or None,
        channels=asked.channels,
    )
