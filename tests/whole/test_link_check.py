"""The check itself: a sound oven is found well, every field failure is looked for, nothing is ever written."""

import re
import threading
from pathlib import Path

import pytest

from logger.clock import RealClock
from logger.diagnosis.failures import Failure
from logger.link_check import CheckOrders, check_oven
from logger.oven_file import read_oven
from sim.line_device import LineStyle
from tests.whole.checked_shop import ROOM, ROOM_K, Shop, checked, named


def test_a_sound_oven_is_found_well(tmp_path):
    report = checked(Shop(tmp_path, output=True), CheckOrders(room_K=ROOM_K, watch_s=5.0))
    assert report.diagnoses == ()
    assert report.is_well
    assert report.controllers[0].tally.answered == 10
    assert len(report.stretches[0].samples) >= 2


ASKED_LINE = {"query": "TEMP?", "pattern": "PV=(?P<air>\\S+) SP=\\S+ OUT=\\S+ C"}
TALKING_LINE = {"pattern": "PV=(?P<air>\\S+) SP=\\S+ OUT=\\S+ C"}


@pytest.mark.parametrize(
    ("bus", "port", "controller"),
    [
        ({"wire": "ascii"}, {"framing": "ascii"}, {}),
        ({"link": "tcp"}, {"framing": "tcp"}, {}),
        ({"link": "tcp", "wire": "rtu"}, {"framing": "rtu"}, {"answer_deadline_s": 0.5}),
        ({"wire": "text"}, {"framing": "text"}, {"text": ASKED_LINE, "answer_deadline_s": 0.5}),
        (
            {"wire": "text", "style": LineStyle(query="", every_s=0.1)},
            {"framing": "text"},
            {"text": TALKING_LINE, "answer_deadline_s": 1.0},
        ),
    ],
    ids=["ascii", "network", "network bridge", "text asked", "text talking"],
)
def test_a_sound_device_of_every_kind_is_found_well(tmp_path, bus, port, controller):
    shop = Shop(tmp_path, bus=bus, port=port, controller=controller)
    with shop.open() as running:
        name = {"tcp": f"tcp://{running.port}", "rtu": running.url}.get(port["framing"])
        report = shop.check(CheckOrders(room_K=ROOM_K, watch_s=3.0), port=name)
    assert report.diagnoses == ()
    assert report.is_well
    assert report.channels[0].reading.temperature_K == pytest.approx(ROOM_K, abs=3.0)


def test_every_failure_has_a_test_of_its_own():
    files = sorted(Path(__file__).parent.glob("test_field_failures_*.py"))
    found = [re.findall(r"^def test_(\d+)_", file.read_text(encoding="utf-8"), re.MULTILINE) for file in files]
    numbers = {int(number) for each in found for number in each}
    assert numbers == {failure.value for failure in Failure}


def test_every_failure_is_in_the_table_for_people():
    table = (Path(__file__).parents[2] / "configs" / "field-failures.md").read_text(encoding="utf-8")
    rows = {int(line.split("|")[1]) for line in table.splitlines() if re.match(r"\| \d+ \|", line)}
    assert rows == {failure.value for failure in Failure}


def test_a_check_only_ever_reads(tmp_path):
    shop = Shop(tmp_path, controller={"unit_address": 3}, channel={"scale": 1})
    with shop.open() as bus:
        shop.check(ROOM)
        assert bus.tap.function_codes() <= {1, 2, 3, 4}
        assert bus.tap.unreadable() == []


def test_a_check_that_is_stopped_reports_what_it_has(tmp_path):
    shop, stop = Shop(tmp_path, controller={"unit_address": 200}), threading.Event()

    def tell(what: str, fraction: float) -> None:
        if "trying" in what:
            stop.set()

    with shop.open():
        report = check_oven(read_oven(shop.oven_file(str(tmp_path / "adapter"))), ROOM, RealClock(), tell, stop)
    assert report.was_stopped
    assert not report.is_well
    assert named(report, Failure.SILENCE)
