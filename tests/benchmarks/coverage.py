"""How often the truth lies in the band: ``python -m tests.benchmarks.coverage [RUNS]`` simulates 200 runs (minutes)."""

import platform
import sys
from pathlib import Path

from tests.benchmarks.hidden_runs import Found, hidden_run
from tests.benchmarks.machine import processor

RESULTS = Path(__file__).parent / "results" / "coverage.md"


def table(found: list[Found], runs: int) -> str:
    """Coverage by quantity, as a table."""
    lines = [
        "# Does the band hold the truth?",
        "",
        f"{runs} simulated runs, their true parameters hidden and drawn from the stated spreads; band 5 to 95 %.",
        f"Python {platform.python_version()} on {processor()}.",
        "",
        "| quantity | runs | truth in the band | truth below the median | half-width of the band |",
        "|---|---|---|---|---|",
    ]
    for quantity in dict.fromkeys(one.quantity for one in found):
        own = [one for one in found if one.quantity == quantity]
        covered = sum(one.covered for one in own) / len(own)
        below = sum(one.truth < one.band[1] for one in own) / len(own)
        widths = sorted(0.5 * (one.band[2] - one.band[0]) / max(abs(one.band[1]), 1e-12) for one in own)
        usual = widths[len(own) // 2]
        lines.append(f"| {quantity} | {len(own)} | {100 * covered:.1f} % | {100 * below:.0f} % | {100 * usual:.1f} % |")
    every = sum(one.covered for one in found) / len(found)
    lines += ["", f"All together: {100 * every:.1f} %. Wanted: 85 to 95 %."]
    return "\n".join(lines)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    words = table([one for number in range(runs) for one in hidden_run(number)], runs)
    print(words)
    if runs >= 200:
        RESULTS.write_text(words + "\n", encoding="utf-8")
