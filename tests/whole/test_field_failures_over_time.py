"""Field failures that show only while an oven is watched: a frozen value, thermocouples, heating, gaps and clocks.

A clock that runs as fast as the simulated oven.
"""

import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from logger.clock import RealClock
from logger.diagnosis.failures import Certainty, Failure
from logger.link_check import CheckOrders, check_oven
from logger.oven_file import read_oven
from sim.controller import Tuning
from sim.line_device import LineStyle
from sim.program import Off, Program, Ramp, Soak
from sim.registers import Register, RegisterTable, built_in_table
from tests.whole.checked_shop import HEATING, QUICK, ROOM, ROOM_K, Shop, checked, named, only

# -- 9 a value that does not move --------------------------------------------------------------------------------


@pytest.mark.slow
def test_9_a_frozen_value_is_named(tmp_path):
    shop = Shop(tmp_path, HEATING, "frozen@400-", 600.0, speed=100.0, controller={"poll_interval_s": 5}, output=True)
    report = checked(shop, CheckOrders(watch_s=2400.0))
    said = named(report, Failure.FROZEN)
    assert said.cause == "the value stands still although the oven does not"
    # A machine that stands still for half a second loses 50 s of this oven's time, and is rightly told so; the first
    # reading after it may lie as far off as a spike does.
    assert {each.failure for each in report.diagnoses} <= {Failure.FROZEN, Failure.GAPS_AND_CLOCKS, Failure.SPIKES}


@pytest.mark.slow
def test_9_a_set_point_read_for_the_temperature_stands_still_beside_one_that_moves(tmp_path):
    shop = Shop(tmp_path, HEATING, start_K=1190.0, channel={"register": 1}, speed=5.0)
    said = only(checked(shop, CheckOrders(watch_s=60.0)), Failure.FROZEN)
    assert said.cause == "this register stands still while one beside it moves: it may be the set point's"


# -- 12 the thermocouple -----------------------------------------------------------------------------------------

WATCHED = {"poll_interval_s": 20, "answer_deadline_s": 0.5}


def heated(tmp_path: Path, faults: str, **more: Any) -> Shop:
    """An oven heated from cold, watched a thousand times faster than it heats."""
    return Shop(
        tmp_path,
        HEATING,
        faults,
        tuning=QUICK,
        speed=600.0,
        controller=WATCHED,
        output=True,
        bus={"baud": None},
        port={"baud": 115200},
        **more,
    )


@pytest.mark.slow
def test_12_a_reversed_pair_falls_as_the_oven_heats(tmp_path):
    shop = heated(tmp_path, "reversed-pair@0-")
    shop.program, shop.speed = Program((Off(1000.0), Ramp(1198.15), Soak(1e9))), 200.0
    shop.controller = {**WATCHED, "poll_interval_s": 5}
    said = named(checked(shop, CheckOrders(watch_s=1500.0)), Failure.THERMOCOUPLE)
    assert said.cause == "the thermocouple's two wires are swapped: it falls while the oven is heated"
    assert said.certainty is Certainty.SURE


@pytest.mark.slow
def test_12_a_shorted_lead_is_told_from_a_dead_oven_only_by_a_second_thermocouple(tmp_path):
    alone = checked(heated(tmp_path, "shorted-lead@0-"), CheckOrders(watch_s=3000.0))
    assert named(alone, Failure.THERMOCOUPLE).certainty is Certainty.ONE_OF_SEVERAL
    both = checked(heated(tmp_path, "shorted-lead@0-", second=True), CheckOrders(watch_s=3000.0))
    said = named(both, Failure.THERMOCOUPLE)
    assert said.cause.startswith("the thermocouple's lead is shorted on the way")
    assert said.certainty is Certainty.SURE


@pytest.mark.slow
@pytest.mark.parametrize(
    ("faults", "cause", "certainty", "hours", "start_K"),
    [
        (
            "wrong-couple@0-",
            "it reads like a type J thermocouple on an input set for type K",
            Certainty.LIKELY,
            2.0,
            965.0,
        ),
        ("drift@0-,amount=-12", "one of two thermocouples drifts", Certainty.LIKELY, 3.0, 1150.0),
        ("withdrawn-tip@0-,amount=0.2", "it reads lower than canister", Certainty.ONE_OF_SEVERAL, 2.0, 1200.0),
        ("double-reversed@0-,amount=60", "it reads lower than canister", Certainty.ONE_OF_SEVERAL, 2.0, 1200.0),
    ],
)
def test_12_a_second_thermocouple_shows_what_one_alone_cannot(tmp_path, faults, cause, certainty, hours, start_K):
    shop = heated(tmp_path, faults, second=True, start_K=start_K)
    said = named(checked(shop, CheckOrders(watch_s=3600.0 * hours)), Failure.THERMOCOUPLE)
    assert said.cause.startswith(cause)
    assert said.certainty is certainty


@pytest.mark.slow
def test_12_two_sound_thermocouples_are_not_blamed(tmp_path):
    shop = heated(tmp_path, "", second=True, start_K=1150.0)
    assert checked(shop, CheckOrders(watch_s=3.0 * 3600.0)).diagnoses == ()


# -- 13 spikes ---------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_13_spikes_are_named_and_not_counted(tmp_path):
    shop = Shop(tmp_path, HEATING, "spikes@0-,p=0.08", 1100.0, speed=40.0, output=True)
    report = checked(shop, CheckOrders(watch_s=400.0))
    said = named(report, Failure.SPIKES)
    assert said.cause.startswith("spikes")
    assert not said.stands_in_the_way


@pytest.mark.slow
def test_13_spikes_that_come_with_the_relays_switching_are_put_down_to_its_wires(tmp_path):
    """A relay that switches every minute, told by the controller, and a spike in the scan after each switching."""
    registers = [one for one in built_in_table().registers if one.address != 2]
    table = RegisterTable((*registers, Register(2, "relay percent", "uint16", decimals=1)))
    tuning = Tuning(scan_s=5.0, cycle_s=120.0, gain_per_K=0.002, derivative_s=0.0)
    shop = Shop(
        tmp_path, HEATING, "spikes@0-,p=0", 1100.0, tuning, speed=50.0, table=table, output=True,
        controller={"poll_interval_s": 5},
    )  # fmt: skip
    said = named(checked(shop, CheckOrders(watch_s=1500.0)), Failure.SPIKES)
    assert said.cause.startswith("spikes come with the heater's switching")
    assert said.certainty is Certainty.LIKELY
    assert "wires away from the heater's" in said.advice[0]
    assert not said.stands_in_the_way


# -- 14 heating --------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_14_a_stuck_relay_is_named_with_the_breaker(tmp_path):
    shop = heated(tmp_path, "stuck-relay@0-", start_K=1198.15)
    said = named(checked(shop, CheckOrders(watch_s=3600.0)), Failure.HEATING)
    assert "relay or contactor is stuck closed" in said.cause
    assert "breaker" in said.advice[0]


@pytest.mark.slow
def test_14_a_dead_element_falls_at_full_heat(tmp_path):
    shop = heated(tmp_path, "dead-element@600-", start_K=1198.15)
    said = named(checked(shop, CheckOrders(watch_s=3600.0)), Failure.HEATING)
    assert said.cause == "the oven falls although the controller asks for all its heat"


@pytest.mark.slow
def test_14_half_an_element_does_not_reach_the_hold(tmp_path):
    shop = heated(tmp_path, "dead-element@0-,amount=0.75", start_K=900.0)
    said = named(checked(shop, CheckOrders(watch_s=2.5 * 3600.0)), Failure.HEATING)
    assert "the hold will not be reached" in said.cause or "falls" in said.cause


# -- 15 gaps, clocks, the record's place -------------------------------------------------------------------------


@pytest.mark.slow
def test_15_a_power_cut_shows_in_silence_and_a_cooler_oven(tmp_path):
    shop = Shop(
        tmp_path, HEATING, "power-cut@120-420", 1198.15, speed=60.0, controller={"poll_interval_s": 5}, output=True
    )
    said = named(checked(shop, CheckOrders(watch_s=600.0)), Failure.GAPS_AND_CLOCKS)
    assert said.cause.startswith("the oven was without power for a while")


class JumpingClock(RealClock):
    """A clock whose wall time is set an hour forward after two seconds."""

    def __init__(self) -> None:
        self.begun_s = self.monotonic_s()

    def utc_s(self) -> float:
        return super().utc_s() + (3600.0 if self.monotonic_s() - self.begun_s > 2.5 else 0.0)


def test_15_a_wall_clock_that_jumps_is_named_and_harms_nothing(tmp_path):
    shop = Shop(tmp_path, controller={"poll_interval_s": 0.5})
    report = checked(shop, CheckOrders(room_K=ROOM_K, watch_s=4.0), clock=JumpingClock())
    said = only(report, Failure.GAPS_AND_CLOCKS)
    assert said.cause == "its wall clock jumped"
    assert not said.stands_in_the_way


class SleepingClock(RealClock):
    """A computer that sleeps for an hour after a second of watching."""

    def __init__(self) -> None:
        self.begun_s = super().monotonic_s()

    def monotonic_s(self) -> float:
        now_s = super().monotonic_s()
        return now_s + (3600.0 if now_s - getattr(self, "begun_s", now_s) > 2.0 else 0.0)

    def utc_s(self) -> float:
        return super().utc_s() + (self.monotonic_s() - super().monotonic_s())


def test_15_a_computer_that_slept_is_named(tmp_path):
    shop = Shop(tmp_path, controller={"poll_interval_s": 0.5})
    report = checked(shop, CheckOrders(room_K=ROOM_K, watch_s=3605.0), clock=SleepingClock())
    assert named(report, Failure.GAPS_AND_CLOCKS).cause == "it slept, or had no time: nothing was asked meanwhile"


def test_15_a_board_that_starts_anew_when_its_port_is_opened(tmp_path):
    text = {"query": "TEMP?", "pattern": "PV=(?P<air>\\S+) SP=\\S+ OUT=\\S+ C"}
    style = LineStyle(banner="thermometer board, version 3", reset_s=0.1)
    shop = Shop(
        tmp_path,
        bus={"wire": "text", "link": "tcp", "style": style},
        port={"framing": "text"},
        controller={"text": text, "answer_deadline_s": 0.5},
    )
    with shop.open() as bus:
        report = shop.check(ROOM, port=bus.url)
    said = only(report, Failure.GAPS_AND_CLOCKS)
    assert dict(said.change) == {"settle_s": "2"}
    assert not said.stands_in_the_way


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_15_a_record_that_cannot_be_written_is_told_before_a_run(tmp_path):
    shop = Shop(tmp_path)
    oven = read_oven(shop.oven_file(str(tmp_path / "none")))
    tmp_path.chmod(0o500)
    try:
        report = check_oven(oven, ROOM, RealClock())
    finally:
        tmp_path.chmod(0o700)
    assert named(report, Failure.GAPS_AND_CLOCKS).cause == "the record cannot be written there"


@pytest.mark.parametrize(("free_MB", "is_told"), [(150, True), (250, False)])
def test_15_a_disk_that_is_nearly_full_is_told_before_a_run(tmp_path, monkeypatch, free_MB, is_told):
    has_left = SimpleNamespace(free=1_000_000 * free_MB)
    monkeypatch.setattr("logger.link_check.shutil.disk_usage", lambda folder: has_left)
    report = checked(Shop(tmp_path))
    assert [(each.cause, each.seen) for each in report.diagnoses] == (
        [("the disk is nearly full", "150 MB left")] if is_told else []
    )
    assert report.is_well is not is_told


def test_15_a_record_in_a_folder_that_is_not_there_is_told_before_a_run(tmp_path):
    shop = Shop(tmp_path)
    written = shop.oven_file(str(tmp_path / "none"))
    written.write_text(written.read_text().replace('name = "oven"', 'name = "oven"\nrecord = "nowhere/record.db"'))
    report = check_oven(read_oven(written), ROOM, RealClock())
    assert named(report, Failure.GAPS_AND_CLOCKS).cause == "the record cannot be written there"
