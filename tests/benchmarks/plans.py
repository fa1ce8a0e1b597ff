"""How long a plan takes: ``python -m tests.benchmarks.plans [WISHES]`` answers 50 random wishes, prints the times."""

import os
import platform
import sys
import time
from pathlib import Path

import numpy as np

from logger.errors import InputFault
from logger.plan import MEMBERS, plan, wishes_of
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape
from logger.steel.pack_recipes import PACK_RECIPES
from logger.wishes import Wishes
from tests.benchmarks.machine import processor

RESULTS = Path(__file__).parent / "results" / "plans.md"
WANTED_S = 5.0


def random_sheet(number: int) -> RunSheet:
    """Piece, pack, canister and wishes number 0, 1, ...: sensible ones and hopeless ones."""
    rng = np.random.default_rng([1722, number])
    size_m = rng.uniform(0.002, 0.012)
    wishes: dict[str, float | bool] = {}
    kind = rng.integers(3)
    if kind == 0:
        wishes["mean_wt_pct"] = rng.uniform(0.3, 1.0)
    elif kind == 1:
        wishes["core_wt_pct"] = rng.uniform(0.2, 0.9)
    else:
        wishes |= {"case_depth_m": rng.uniform(0.05, 0.45) * size_m, "at_carbon_wt_pct": rng.uniform(0.3, 0.6)}
    if rng.random() < 0.6:
        wishes["surface_at_most_wt_pct"] = rng.uniform(0.8, 1.3)
    wishes |= {"no_network": bool(rng.random() < 0.2), "fine_grain": bool(rng.random() < 0.2)}
    wishes |= {"hottest_K": rng.uniform(1150.0, 1420.0), "longest_s": rng.uniform(4.0, 48.0) * 3600.0}
    return RunSheet(
        piece=Piece(Shape(str(rng.choice([Shape.PLATE, Shape.ROUND]))), size_m, rng.uniform(0.02, 0.25)),
        pack=Pack(recipe=str(rng.choice(sorted(PACK_RECIPES)))),
        canister=Canister(sensor="oven" if rng.random() < 0.7 else "inside", outer_m=rng.uniform(0.05, 0.12)),
        wishes=Wishes(**wishes),  # type: ignore[arg-type]
    )


def fixed_work_s() -> float:
    """Processor time of a piece of work that is always the same [s]: it grows with what else the machine does."""
    began = time.process_time()
    values = np.linspace(0.0, 1.0, 4000)
    for _ in range(1000):
        values = np.sqrt(values * values + 1e-9)
    return time.process_time() - began


def main(count: int) -> None:
    """Answer so many wishes and print how long each took."""
    taken, fixed, possible, refused = [], [], 0, 0
    for number in range(count):
        try:
            sheet = random_sheet(number)
        except InputFault:
            refused += 1
            continue
        fixed.append(fixed_work_s())
        began = time.process_time()
        found = plan(sheet, wishes_of(sheet))
        taken.append(time.process_time() - began)
        possible += bool(found.programs)
    lines = [
        "# How long does a plan take?",
        "",
        f"{len(taken)} random wishes ({refused} more contradicted themselves), {possible} of them possible.",
        f"Processor time of one wish, with bands of {MEMBERS} cases for each program:",
        f"Python {platform.python_version()} on {processor()}, load average {os.getloadavg()[0]:.1f}.",
        "",
        f"Median {np.median(taken):.1f} s, slowest {max(taken):.1f} s; wanted: under {WANTED_S:g} s each, "
        f"which {sum(one < WANTED_S for one in taken)} of {len(taken)} kept.",
        f"A fixed piece of work took {1e3 * np.median(fixed):.0f} ms meanwhile, {1e3 * min(fixed):.0f} ms at its "
        "quickest: what else the machine does slows processor time as well.",
    ]
    print("\n".join(lines))
    if count >= 50:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
