"""The controller's own alarms, read as a bit of a register or as a coil, become alerts while they are on."""

import threading

import pytest

from logger import daemon
from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind
from logger.clock import FastClock
from logger.oven_file import read_oven
from sim.bus import Bus, Station
from sim.controller import Tuning
from sim.heat import Heat
from sim.program import Program, Ramp, Soak
from tests.whole.served import SHEET, oven_file

IN_A_REGISTER = "register = 3\nfunction = 3\nbit = 1\n"
AS_A_COIL = "register = 1\nfunction = 1\n"
AS_AN_INPUT = "register = 10002\n"

ALARM = """
[[port.controller.channel]]
name = "deviation"
quantity = "alarm"
{where}
"""


@pytest.mark.parametrize("where", [IN_A_REGISTER, AS_A_COIL, AS_AN_INPUT])
def test_an_alarm_of_the_controller_is_an_alert_and_clears_when_it_goes_off(tmp_path, where):
    # the set point is 40 K above a warm oven: the deviation alarm (25 K) is on until the oven has caught up
    warm_K = 600.0
    heat = Heat(Program((Ramp(warm_K + 40.0), Soak(1e9))), tuning=Tuning(scan_s=2.0), start_K=warm_K)
    (tmp_path / "sheet.toml").write_text(SHEET)
    told: list[AlertEvent] = []
    with Bus([Station(1, heat)], speed=60.0) as bus:
        oven = read_oven(oven_file(tmp_path, "east", bus.port, more=ALARM.format(where=where)))
        orders = daemon.Orders(until_s=500.0, say=told.append)
        daemon.watch(oven, tmp_path / "sheet.toml", FastClock(60.0), orders, threading.Event())
    said = [(event.key, event.phase) for event in told if event.kind is AlertKind.CONTROLLER_ALARM]
    assert said == [("deviation", Phase.RAISED), ("deviation", Phase.CLEARED)]
