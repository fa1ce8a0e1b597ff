"""What a file may wish of a heat that is still to be planned: the ``[plan]`` table of a run sheet or a wish file."""

from typing import Annotated

from logger.quantities import (
    CARBON,
    DURATION,
    GAS_RATE,
    LENGTH,
    POWER,
    TEMPERATURE,
    TEMPERATURE_DIFFERENCE,
    TEMPERATURE_RATE,
    Written,
)
from logger.toml_file import Measure, Switch, Table
from logger.wishes import Wishes

Carbon = Annotated[Written | None, Measure(CARBON)]
Power = Annotated[Written | None, Measure(POWER)]


class PlanTable(Table):
    """``[plan]``."""

    mean_carbon: Carbon = None
    core_carbon: Carbon = None
    case_depth: Annotated[Written | None, Measure(LENGTH)] = None
    at_carbon: Carbon = None
    surface_at_most: Carbon = None
    no_network: Switch = False
    fine_grain: Switch = False
    melting_margin: Annotated[Written | None, Measure(TEMPERATURE_DIFFERENCE)] = None
    hottest: Annotated[Written | None, Measure(TEMPERATURE)] = None
    longest: Annotated[Written | None, Measure(DURATION)] = None
    diffuse: Switch = True
    climb: Annotated[Written | None, Measure(TEMPERATURE_RATE)] = None
    heating_power: Power = None
    holding_power: Power = None
    gas: Annotated[Written | None, Measure(GAS_RATE)] = None


class WishTable(Table):
    """A whole wish file: the same table by itself."""

    plan: PlanTable = PlanTable()


def wishes_of(table: PlanTable) -> Wishes:
    """The wishes a ``[plan]`` table states, in SI; a value at fault is NaN, which the run sheet then refuses."""
    plain = Wishes()

    def value(written: Written | None, otherwise: float) -> float:
        return otherwise if written is None else written.value

    def optional(written: Written | None) -> float | None:
        return None if written is None else written.value

    return Wishes(
        mean_wt_pct=optional(table.mean_carbon),
        core_wt_pct=optional(table.core_carbon),
        case_depth_m=optional(table.case_depth),
        at_carbon_wt_pct=optional(table.at_carbon),
        surface_at_most_wt_pct=optional(table.surface_at_most),
        no_network=table.no_network,
        fine_grain=table.fine_grain,
        melting_margin_K=value(table.melting_margin, plain.melting_margin_K),
        hottest_K=value(table.hottest, plain.hottest_K),
        longest_s=value(table.longest, plain.longest_s),
        diffuse=table.diffuse,
        climb_K_per_s=value(table.climb, plain.climb_K_per_s),
        heating_W=optional(table.heating_power),
        holding_W=optional(table.holding_power),
        gas_kg_per_s=optional(table.gas),
    )
