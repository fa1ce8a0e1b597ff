"""What a published or fitted constant is: a value that never travels without its spread, range and source."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Coefficient:
    """One constant of a formula.

    ``spread`` is one standard deviation in the unit of the value (0: not stated by the source). ``valid`` is the
    range of the quantity named by ``valid_in`` over which the constant may be used.
    """

    value: float
    spread: float
    unit: str
    source: str
    valid: tuple[float, float] | None = None
    valid_in: str = ""
