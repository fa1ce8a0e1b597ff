"""Heat capacities against published values, and enthalpies against their integrals."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from logger.errors import InputFault
from logger.steel import heat
from logger.units import kelvin_from_celsius

TABLE = Path(__file__).parent.parent / "published" / "heat_capacity.csv"
CAPACITY = {"steel": heat.steel_heat_capacity_J_per_kg_K, "carbon": heat.carbon_heat_capacity_J_per_kg_K}
ENTHALPY = {"steel": heat.steel_enthalpy_J_per_kg, "carbon": heat.carbon_enthalpy_J_per_kg}


def published() -> list[dict[str, str]]:
    """Rows of the table."""
    with TABLE.open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", published(), ids=lambda row: f"{row['kind']} {row['temperature_C']} C")
def test_the_specific_heat_is_the_published_one(row: dict[str, str]) -> None:
    T = np.array(kelvin_from_celsius(float(row["temperature_C"])))
    value = float(CAPACITY[row["kind"]](T))
    assert value == pytest.approx(float(row["J_per_kg_K"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize("kind", ["steel", "carbon"])
@pytest.mark.parametrize(("a_C", "b_C"), [(0, 20), (20, 600), (600, 735), (735, 900), (900, 1250), (0, 1300)])
def test_the_enthalpy_is_the_integral_of_the_specific_heat(kind: str, a_C: float, b_C: float) -> None:
    a, b = kelvin_from_celsius(a_C), kelvin_from_celsius(b_C)
    breaks = [K for K in (kelvin_from_celsius(c) for c in (20.0, 25.0, 600.0, 735.0, 900.0, 1200.0)) if a < K < b]
    by_hand = quad(lambda T: float(CAPACITY[kind](np.array(T))), a, b, points=breaks or None, limit=200)[0]
    ours = float(ENTHALPY[kind](np.array(b)) - ENTHALPY[kind](np.array(a)))
    assert ours == pytest.approx(by_hand, rel=1e-7)


def test_a_charcoal_bed_conducts_two_to_three_times_better_hot_than_cold() -> None:
    bed = heat.pack_bed("charcoal")
    cold, hot = (
        float(heat.pack_conductivity_W_per_m_K(np.array(K), bed.contact_W_per_m_K.value, bed.radiation_length_m.value))
        for K in (293.15, 1173.15)
    )
    assert 2.0 < hot / cold < 3.0
    assert 0.05 < cold < 0.2


# Front. Energy 5 (2011), 10.1007/s11708-011-0145-y: 0.36 W/m/K at about 600 kg/m3, whatever the grain.
def test_the_published_bed_of_activated_carbon_lies_within_its_spread() -> None:
    bed = heat.pack_bed("activated carbon")
    assert bed.contact_W_per_m_K.low < 0.36 <= bed.contact_W_per_m_K.high
    assert bed.density_kg_per_m3.low < 600.0 < bed.density_kg_per_m3.high


def test_a_pack_nobody_knows_is_named_with_those_that_are_known() -> None:
    with pytest.raises(InputFault, match=r'canister.pack_kind: found "sand", expected one of "charcoal", '):
        heat.pack_bed("sand")
