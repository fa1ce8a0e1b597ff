"""A watched run goes by the newest correction, tells it, and goes on by the same one after a power cut."""

import json
from pathlib import Path

from click.testing import CliRunner

from logger.command import main
from logger.review import review_run
from tests.whole.stepped import Night, night

SHEET = """
name = "strap, invented"
channel = "air"
[piece]
shape = "plate"
thickness_mm = 3.0
carbon_wt_pct = 0.05
iron_lot = "barn door"
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
"""


def weighed(oven: Night, run: str, grams: str) -> None:
    """A coupon of the same iron, weighed after a run."""
    words = ["correct", "weight", run, "--before", "20.00 g", "--after", grams, "--area", "29 cm2"]
    said = CliRunner().invoke(main, [*words, "--record", str(oven.settings.record)])
    assert said.exit_code == 0, said.output


def test_a_run_goes_by_what_was_learned_before_it_even_after_a_power_cut(tmp_path: Path) -> None:
    with night(tmp_path, poll_s=120.0, sheet=SHEET) as oven:
        first = oven.burn()
        oven.pass_to(5.0 * 3600.0)
        assert oven.ask("stop").done
        by_the_book = review_run(oven.settings.record, first)
        assert by_the_book.problem.sheet.correction is None
        weighed(oven, first, "20.06 g")

        second = oven.burn()
        oven.pass_to(2.5 * 3600.0)
        assert oven.oven.run is not None
        used = oven.oven.run.sheet.correction
        assert used is not None
        assert used.recipe == "energised charcoal"
        assert used.mean[1] < -0.3  # a slower pack than the book's
        # More is learned while it goes on; then the computer loses its power and comes back.
        weighed(oven, first, "20.11 g")
        oven.switch_off()
        oven.clock.now_s += 300.0
        oven.switch_on()
        oven.pass_to(3.0 * 3600.0)
        assert oven.oven.run is not None
        assert oven.oven.run.run == second
        assert oven.oven.run.sheet.correction == used
        oven.pass_to(5.0 * 3600.0)
        assert oven.ask("stop").done

        again = review_run(oven.settings.record, second)
        assert again.problem.sheet.correction == used
        said = CliRunner().invoke(main, ["review", second, "--record", str(oven.settings.record), "--json"])
        kept = json.loads(said.stdout)["correction"]
        assert kept["evidence"] == [f"gained 0.06 g (run {first})"]
        assert by_the_book.estimate.carbon is not None
        assert again.estimate.carbon is not None
        # The same heat, the same strap: less carbon by what the coupon said.
        assert again.estimate.carbon.mean_wt_pct < 0.95 * by_the_book.estimate.carbon.mean_wt_pct
        unchanged = review_run(oven.settings.record, first)
        assert unchanged.estimate.carbon is not None
        assert unchanged.estimate.carbon.mean_wt_pct == by_the_book.estimate.carbon.mean_wt_pct
