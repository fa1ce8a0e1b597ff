"""The accuracy the project promises of carbon, and how much of it a heat takes up.

The reference is the same solver on far finer cells, with a far tighter tolerance and every sample on its own;
`test_carbon_independent` holds the solver itself to an integrator it shares no code with.
"""

from dataclasses import dataclass, replace

import pytest

from logger.estimate import carbon_problem, carbon_profile, temperature_windows
from logger.estimate.carbon_result import CarbonResult
from tests.estimate.carbon_cases import CarbonCase

PROMISED_PART, PROMISED_DEPTH_M = 0.01, 5e-6
LEVELS_WT_PCT = (0.30, 0.35, 0.40, 0.60, 0.80)

LITTLE_CARBON_WT_PCT = 0.1
"""One per cent of less carbon than this counts as one per cent of this: 0.001 wt% is beyond any analysis."""

FLAT_WT_PCT = 0.002
"""Where so little carbon moves a depth by more than the promise, the depth itself says nothing."""

LIQUID_PART, LIQUID_M = 0.05, 2e-5


@dataclass(frozen=True, order=True)
class Taken:
    """How much of what is promised an error is (1: all of it), of which number, and what the reference says of it."""

    part: float
    name: str
    reference: float


def solved(
    case: CarbonCase, fineness: float = 1.0, tolerance_wt_pct: float = carbon_problem.TOLERANCE_WT_PCT
) -> CarbonResult:
    """A heat at default settings, or finer."""
    problem = carbon_problem.problem_from_sheet(case.sheet, fineness=fineness)
    problem = replace(problem, tolerance_wt_pct=tolerance_wt_pct)
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), case.time_s, case.temperature_K)
    return carbon_profile.at_end(problem, state)


def converged(case: CarbonCase, melting: bool) -> CarbonResult:
    """The same on finer cells with a tighter tolerance and every sample on its own."""
    # Every cell that melts costs: half of it must do.
    fineness, tighter = (1.5, 5.0) if melting else (2.0, 10.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(carbon_profile, "SOLID_STEP_K", 2.0)
        patch.setattr(carbon_profile, "LIMIT_STEP_WT_PCT", 0.002)
        patch.setattr(temperature_windows, "WINDOW_S", float(case.time_s[1] - case.time_s[0]))
        return solved(case, fineness, carbon_problem.TOLERANCE_WT_PCT / tighter)


def taken(result: CarbonResult, reference: CarbonResult, melting: bool) -> list[Taken]:
    """What each number of a heat takes of the promise."""
    found = []
    for name in ("surface_wt_pct", "back_surface_wt_pct", "core_wt_pct", "mean_wt_pct"):
        expected = getattr(reference, name)
        if expected is not None:  # there is such a face
            within = PROMISED_PART * max(expected, LITTLE_CARBON_WT_PCT)
            found.append(Taken(abs(getattr(result, name) - expected) / within, name, expected))
    for back in (False, True) if reference.back_surface_wt_pct is not None else (False,):
        for level in LEVELS_WT_PCT:
            expected_m = reference.case_depth_m(level, back)
            richer, poorer = (reference.case_depth_m(level + d, back) for d in (FLAT_WT_PCT, -FLAT_WT_PCT))
            within_m = max(PROMISED_PART * expected_m, PROMISED_DEPTH_M)
            if abs(richer - poorer) < 2.0 * within_m:
                name = f"case depth to {level:.2f} %" + (" from the back" if back else "")
                found.append(Taken(abs(result.case_depth_m(level, back) - expected_m) / within_m, name, expected_m))
    if melting:
        within_m = max(LIQUID_PART * reference.liquid_depth_m, LIQUID_M)
        off_m = abs(result.liquid_depth_m - reference.liquid_depth_m)
        found.append(Taken(off_m / within_m, "liquid_depth_m", reference.liquid_depth_m))
    return found
