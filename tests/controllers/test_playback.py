"""A recorded trace as a controller."""

import pytest

from logger.controllers.link import connect_port
from logger.controllers.link_faults import NoAnswer
from logger.controllers.settings import ChannelSettings, ControllerSettings, FieldSource, Framing, PortSettings
from logger.errors import InputFault
from logger.reading import Quality
from tests.controllers.test_polling import SteppedClock


def recording(tmp_path, text: str, field: str = "air"):
    path = tmp_path / "heat.csv"
    path.write_text(text)
    channels = (ChannelSettings("oven", FieldSource(field)),)
    clock = SteppedClock()
    connected = connect_port(
        PortSettings(str(path), Framing.PLAYBACK, controllers=(ControllerSettings("recording", channels),)), clock
    )
    return connected, clock


TRACE = "time_s,air_C\n100,20\n110,30\n120,\n130,50\n140,60\n400,100\n410,110\n420,120\n430,130\n"


def test_a_recording_plays_at_the_pace_it_was_written(tmp_path):
    connected, clock = recording(tmp_path, TRACE)
    connected.link.open()
    heard = []
    for at_s in (0.0, 9.0, 10.0, 25.0, 35.0, 300.0):
        clock.now_s = 1000.0 + at_s
        (reading,) = connected.controllers[0].read()
        heard.append((round(reading.temperature_K - 273.15, 6), reading.quality))
    assert heard[:3] == [(20.0, Quality.GOOD), (20.0, Quality.GOOD), (30.0, Quality.GOOD)]
    assert heard[3][1] is Quality.MISSING  # the blank cell
    assert heard[4:] == [(50.0, Quality.GOOD), (100.0, Quality.GOOD)]


def test_a_gap_in_the_recording_is_missing_and_its_end_is_the_end(tmp_path):
    connected, clock = recording(tmp_path, TRACE)
    connected.link.open()
    clock.now_s = 1000.0 + 200.0
    assert connected.controllers[0].read()[0].quality is Quality.MISSING
    clock.now_s = 1000.0 + 340.0
    with pytest.raises(NoAnswer, match="the recording is over"):
        connected.controllers[0].read()


def test_a_column_that_is_not_there_is_told_with_those_that_are(tmp_path):
    with pytest.raises(InputFault, match="found 'oven', expected one of: air"):
        recording(tmp_path, TRACE, "oven")
