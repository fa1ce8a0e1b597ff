"""The whole daemon killed without notice, and a night in which the computer is switched off at random moments."""

import os
import random
from pathlib import Path

import pytest

from logger.record import RecordReader
from logger.review import review_run
from logger.views.contract import review_object
from tests.benchmarks.killed_daemon import killed
from tests.whole.stepped import night

pytestmark = pytest.mark.slow


@pytest.mark.skipif(os.name != "posix", reason="needs a process that can be killed without notice")
def test_a_daemon_killed_at_random_moments_loses_and_doubles_nothing_and_ends_with_the_same_estimate(
    tmp_path: Path,
) -> None:
    found = killed(tmp_path, 5)
    assert (found.lost, found.twice, found.integrity) == (0, 0, "ok")
    assert found.same_estimate
    assert found.restarts_told == 5


def test_a_night_with_many_breaks_is_to_the_last_bit_the_night_without(tmp_path: Path) -> None:
    """Nothing passes while the computer is off here, so both nights have the same readings."""
    chance = random.Random(20261125)
    to_s = 2.0 * 3600.0
    whole, broken = tmp_path / "whole", tmp_path / "broken"
    whole.mkdir()
    broken.mkdir()
    with night(whole, poll_s=60.0) as one:
        one.burn()
        one.pass_to(to_s)
        one.ask("stop")
    with night(broken, poll_s=60.0) as other:

        def blink() -> None:
            other.switch_off()
            other.clock.now_s += other.poll_s  # up again just when the next question is due
            other.switch_on()

        other.burn()
        other.pass_to(to_s, {60.0 * minute: blink for minute in chance.sample(range(2, 118, 2), 12)})
        other.ask("stop")
        assert other.oven.run is None
    records = [one.settings.record for one in (one, other)]
    runs = [review_object(review_run(record, "last", anew=True)) for record in records]
    assert runs[0]["carbon"] is not None
    for part in ("thermal", "carbon", "tempering", "targets", "warnings"):
        assert runs[0][part] == runs[1][part]
    kept = []
    for record in records:
        with RecordReader(record) as reader:
            kept.append(reader.estimates(reader.run("last").id)[-1])
    assert kept[0] == kept[1], "what was shown live at the end is the same, too"
