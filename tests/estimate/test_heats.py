"""Judgement of normalizing heats and of the quench, on made-up histories of usual and of bad practice."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from logger.estimate.heats import Cooling, judge_heats, time_above_s
from logger.units import FloatArray, celsius_from_kelvin, kelvin_from_celsius, kelvin_from_fahrenheit

MINUTES_S = 60.0
PLAIN = {"Mn": 0.40, "Si": 0.20}


@dataclass
class Forge:
    """A history under construction: corners of straight lines."""

    times: list[float] = field(default_factory=lambda: [0.0])
    temperatures: list[float] = field(default_factory=lambda: [293.0])

    def to(self, temperature_K: float, rate_K_per_s: float) -> "Forge":
        self.times.append(self.times[-1] + abs(temperature_K - self.temperatures[-1]) / rate_K_per_s)
        self.temperatures.append(temperature_K)
        return self

    def hold(self, duration_s: float) -> "Forge":
        self.times.append(self.times[-1] + duration_s)
        self.temperatures.append(self.temperatures[-1])
        return self

    def heat(self, peak_F: float, minutes: float = 10.0) -> "Forge":
        return self.to(kelvin_from_fahrenheit(peak_F), 0.8).hold(minutes * MINUTES_S)

    def sampled(self, every_s: float = 2.0) -> tuple[FloatArray, FloatArray]:
        times = np.arange(0.0, self.times[-1], every_s)
        return times, np.interp(times, self.times, self.temperatures)


def usual(peaks_F: tuple[float, ...] = (1600, 1550, 1500), quench_F: float = 1500.0, air: float = 2.0) -> Forge:
    forge = Forge()
    for peak_F in peaks_F:
        forge.heat(peak_F).to(500.0, air)
    return forge.heat(quench_F).to(330.0, 80.0).hold(60.0)


@pytest.mark.parametrize("carbon", [0.75, 0.80, 0.95, 1.00])
@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0])
def test_the_usual_falling_heats_and_quench_are_sound(carbon: float, every_s: float) -> None:
    # Common practice, no source: 1600, 1550, 1500 F for ten minutes each, air cooled, then quenched from 1500 F.
    judged = judge_heats(*usual().sampled(every_s), carbon, PLAIN)
    assert judged.sound is True
    assert judged.quench_sound is True
    assert [heat.cooling for heat in judged.heats] == [Cooling.AIR] * 3 + [Cooling.QUENCH]
    assert all(heat.refines for heat in judged.heats)
    peaks_F = [1600, 1550, 1500, 1500]
    assert [heat.peak_K for heat in judged.heats] == pytest.approx(
        [kelvin_from_fahrenheit(p) for p in peaks_F], abs=1.0
    )


def test_each_heat_reports_its_numbers() -> None:
    # Line by construction: 0.8 K/s up, 10 min hold, 2 K/s down.
    judged = judge_heats(*usual().sampled(1.0), 0.80, PLAIN)
    first = judged.heats[0]
    over_K = kelvin_from_fahrenheit(1600.0) - judged.points.ac1_K
    assert first.above_ac1_s == pytest.approx(600.0 + over_K / 0.8 + over_K / 2.0, abs=2.0)
    assert first.cooling_K_per_s == pytest.approx(2.0, rel=0.01)
    assert judged.heats[-1].cooling_K_per_s == pytest.approx(80.0, rel=0.02)
    assert celsius_from_kelvin(judged.heats[-1].left_K) == pytest.approx(815.6, abs=1.0)


def test_a_network_of_1_2_pct_carbon_is_not_dissolved_at_1600_F() -> None:
    # A_cm of 1.20 % C is 891 C in plain Fe-C (Gustafson 1985); 1600 F is 871 C.
    judged = judge_heats(*usual().sampled(), 1.20, PLAIN)
    assert judged.sound is False
    assert any(line.startswith("no normalizing heat dissolved the carbide network") for line in judged.advice)
    assert judge_heats(*usual((1700, 1550, 1500)).sampled(), 1.20, PLAIN).sound is True


@pytest.mark.parametrize(
    ("forge", "said"),
    [
        (usual((1500, 1550, 1600)), "a later normalizing heat was hotter than the one before"),
        (usual((1600, 1550, 1500), air=0.02), "a heat cooled slowly"),
        (usual((1600, 1550, 1850)), "the last heat before the quench coarsened the grain"),
        (usual(quench_F=1900.0), "hotter than needed"),
        (usual(quench_F=1350.0), "too cold, not all of it was austenite"),
        (
            Forge().heat(1600).to(500.0, 2.0).heat(1500).to(kelvin_from_celsius(725.0), 1.0).to(330.0, 80.0),
            "had cooled first",
        ),
    ],
)
def test_bad_practice_is_named(forge: Forge, said: str) -> None:
    judged = judge_heats(*forge.sampled(1.0), 0.80, PLAIN)
    assert judged.sound is False
    assert any(said in line for line in judged.advice)


def test_an_overheated_first_heat_is_forgiven_when_lower_heats_follow() -> None:
    assert judge_heats(*usual((1850, 1600, 1550)).sampled(), 0.80, PLAIN).sound is True


def test_a_dip_that_does_not_transform_the_steel_does_not_end_a_heat() -> None:
    dip_K = kelvin_from_celsius(680.0)  # the door was open for a moment: austenite is still there
    forge = Forge().heat(1550).to(dip_K, 2.0).heat(1550).to(500.0, 2.0)
    (heat,) = judge_heats(*forge.sampled(), 0.80, PLAIN).heats
    assert heat.above_complete_s > 1200.0


def test_a_heat_below_the_transformation_is_no_heat() -> None:
    assert judge_heats(*Forge().heat(1250).to(300.0, 2.0).sampled(), 0.80, PLAIN).heats == ()


def test_a_sensor_that_stays_in_the_oven_cannot_tell_until_the_times_are_stated() -> None:
    oven = (
        Forge().heat(1600).to(kelvin_from_fahrenheit(1550.0), 0.05).hold(600).to(kelvin_from_fahrenheit(1500.0), 0.05)
    )
    times, T = oven.hold(1500.0).sampled()
    unsure = judge_heats(times, T, 0.80, PLAIN)
    assert unsure.sound is None
    assert unsure.quench_sound is None
    outs = [float(at) for at in (oven.times[2], oven.times[4], oven.times[6] - 800.0)]
    stated = judge_heats(times, T, 0.80, PLAIN, taken_out_s=outs, quenched_s=oven.times[6] - 100.0)
    assert [heat.cooling for heat in stated.heats] == [Cooling.AIR] * 3 + [Cooling.QUENCH]
    assert stated.sound is True


def test_missing_readings_are_passed_over() -> None:
    times, T = usual().sampled()
    holes = T.copy()
    holes[50:60] = np.nan
    assert judge_heats(times, holes, 0.80, PLAIN).sound is True


def test_time_above_a_level_counts_parts_of_intervals() -> None:
    assert time_above_s(np.array([0.0, 10.0, 20.0]), np.array([300.0, 500.0, 300.0]), 400.0) == pytest.approx(10.0)
    assert time_above_s(np.array([0.0, 10.0]), np.array([300.0, 300.0]), 300.0) == 0.0
