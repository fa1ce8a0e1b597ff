"""What a soak is asked to show, on the command line: shared by the verdict and the evidence."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from logger.commands.shared_options import quantity_of
from logger.errors import Fault, InputFault, RangeFault
from logger.units import SECONDS_PER_HOUR, DisplayUnits, kelvin_from_celsius

if TYPE_CHECKING:
    from logger.acceptance import Requirement
    from logger.quantities import Dimension
    from logger.situation import Situation

COLDEST_K, HOTTEST_K = kelvin_from_celsius(0.0), kelvin_from_celsius(1800.0)
DEGREES_K = (0.01, 500.0)
LONGEST_S = 2000.0 * SECONDS_PER_HOUR
"""What can be asked of a soak (our choice: more than any oven here does; the rest is a slip of the pen)."""


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

    def read(option: str, text: str, dimension: "Dimension", low: float, high: float, unit: str) -> float | None:
        if not text:
            return None
        try:
            written = quantity_of(option, dimension, text)
        except InputFault as refusal:
            faults.extend(refusal.faults)
            return None
        if not low <= written.value <= high:
            typed_in = DisplayUnits("F" if written.unit == "F" else "C")
            faults.append(RangeFault.of(option, written.value, low, high, unit, "", typed_in))
        return written.value

    temperature_K = read("--at", asked.at, TEMPERATURE, COLDEST_K, HOTTEST_K, "K")
    half_band_K = read("--within", asked.within, TEMPERATURE_DIFFERENCE, *DEGREES_K, "difference_K")
    soak_s = read("--for", asked.for_, DURATION, 1.0, LONGEST_S, "s_as_h")
    uniformity_K = read("--uniformity", asked.uniformity, TEMPERATURE_DIFFERENCE, *DEGREES_K, "difference_K")
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
