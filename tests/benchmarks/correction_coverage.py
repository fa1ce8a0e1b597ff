"""How often a correction's band holds the truth: ``python -m tests.benchmarks.correction_coverage [SHOPS]``.

Each shop has hidden coefficients drawn from the stated spreads and measures four things on two coupons with the stated
noise. Asked: do the 90 % bands hold the coefficients, and the mean carbon of the shop's next strap?
"""

import platform
import sys
from pathlib import Path

import numpy as np

from logger.correction import LAW, LAW_SPREAD
from logger.correction_fit import learn
from logger.coupon_prediction import predictions
from tests.benchmarks.machine import processor
from tests.core.hidden_coupons import RECIPE, coupon, inside, simulated, thin_carbon

RESULTS = Path(__file__).parent / "results" / "correction_coverage.md"
MEMBERS = 64


def next_strap(seed: int) -> tuple[bool, bool, float, float]:
    """Whether the bands by the book and corrected hold the next strap's mean carbon, and their widths [wt%]."""
    coupons, hidden = simulated(seed)
    correction = learn(coupons).for_names(RECIPE, "door")
    assert correction is not None
    strap = coupon(thin_carbon(1.0), lot="door", carbon_wt_pct=0.05, run="next", temperature_C=950.0)
    rng = np.random.default_rng([seed, 78])
    own = [hidden["recipe", RECIPE, "activity"], hidden["recipe", RECIPE, "transfer"]]
    own += [hidden["lot", "door", "start carbon"], hidden["lot", "door", "diffusivity"] + LAW_SPREAD * hidden[LAW]]
    truth = float(predictions(strap, np.array([own]), rng.uniform(-1.0, 1.0, 1))[0, 0])
    drawn, errors = rng.normal(size=(MEMBERS, 4)), rng.uniform(-1.0, 1.0, MEMBERS)
    book = drawn * np.array([1.0, 1.0, 1.0, np.sqrt(1.0 + LAW_SPREAD**2)])
    learned = np.array(correction.mean) + drawn @ np.linalg.cholesky(np.array(correction.covariance)).T
    held, widths = [], []
    for rows in (book, learned):
        low, high = np.quantile(predictions(strap, rows, errors)[:, 0], (0.05, 0.95), method="weibull")
        held.append(bool(low <= truth <= high))
        widths.append(float(high - low))
    return held[0], held[1], widths[0], widths[1]


def table(shops: int) -> str:
    """The results as a table."""
    coefficients = [each for seed in range(shops) for each in inside(learn(simulated(seed)[0]), simulated(seed)[1])]
    straps = [next_strap(seed) for seed in range(shops)]
    book, learned = (100.0 * float(np.mean([strap[which] for strap in straps])) for which in (0, 1))
    wide, narrow = (float(np.median([strap[which] for strap in straps])) for which in (2, 3))
    return "\n".join(
        [
            "# Does a correction's band hold the truth?",
            "",
            f"{shops} shops, their coefficients hidden; four measurements on two coupons each; band 5 to 95 %.",
            f"Python {platform.python_version()} on {processor()}.",
            "",
            "| what | truth in the band | width of the band |",
            "|---|---|---|",
            f"| {len(coefficients)} hidden coefficients | {100.0 * float(np.mean(coefficients)):.1f} % | |",
            f"| mean carbon of the next strap, by the book | {book:.1f} % | {wide:.3f} % C |",
            f"| mean carbon of the next strap, corrected | {learned:.1f} % | {narrow:.3f} % C |",
        ]
    )


if __name__ == "__main__":
    shops = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    words = table(shops)
    print(words)
    if shops >= 60:
        RESULTS.write_text(words + "\n", encoding="utf-8")
