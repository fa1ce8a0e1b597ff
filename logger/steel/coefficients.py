"""Coefficient: a published number with its unit, spread, valid range and source, so that none travels alone."""

from dataclasses import dataclass
from math import inf

from logger.errors import OutOfRange

GAS_CONSTANT_J_PER_MOL_K = 8.314462618
"""Molar gas constant (CODATA 2018, exact)."""

CALORIE_GAS_CONSTANT = 1.987
"""Gas constant in cal/mol/K as the older diffusion papers rounded it; used only with their own fits."""

STEEL_DENSITY_KG_PER_M3 = 7850.0
"""Density of low-carbon steel near room temperature (common handbook value), constant here: gains per area use it."""


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A number from a source.

    ``spread`` is a one-sigma relative scatter unless ``spread_is_absolute``. ``low`` and ``high`` bound the argument
    (in ``argument_unit``) over which the value was measured or fitted.
    """

    name: str
    value: float
    unit: str
    source: str
    spread: float = 0.0
    spread_is_absolute: bool = False
    low: float = -inf
    high: float = inf
    argument_unit: str = ""

    def at(self, argument: float) -> float:
        """The value [``unit``], if ``argument`` lies in the valid range. Raises OutOfRange, naming value and limits."""
        if not self.low <= argument <= self.high:
            raise OutOfRange(self.name, argument, self.low, self.high, self.argument_unit, self.source)
        return self.value
