"""The integral of diffusivity over carbon, tabulated for each law once for all temperatures it is asked at.

What moves carbon through austenite is this integral; see `logger.estimate.carbon_transport`. Rows of a table are worked
out as heats come to their temperatures, and kept.
"""

from functools import lru_cache

import numpy as np

from logger.steel.carbon_diffusion import DiffusivityLaw
from logger.steel.phase_limits import A1_K, HIGHEST_K
from logger.units import FloatArray

TOP_WT_PCT = 2.4
POINTS = 320
"""Carbon of austenite 0.0075 wt% apart: error of the integral about 1e-5."""

CARBON_STEP_WT_PCT = TOP_WT_PCT / POINTS

TEMPERATURE_STEP_K = 1.0
"""Between two temperatures the diffusivity is taken for linear: 2e-5 of it too much at most, what 0.002 K would do."""

_CARBON: FloatArray = np.linspace(0.0, TOP_WT_PCT, POINTS + 1)[None, :]
_ROWS = int(np.ceil((HIGHEST_K - A1_K) / TEMPERATURE_STEP_K)) + 2
_BLOCK = 16


class IntegralTable:
    """One law's mean diffusivity between neighbouring carbons, and the integral up to each, over temperature."""

    def __init__(self, law: DiffusivityLaw) -> None:
        self._law = law
        self._rows: FloatArray = np.empty((_ROWS, 2 * POINTS))
        self._known = [False] * (-(-_ROWS // _BLOCK))

    def at(self, temperature_K: FloatArray) -> FloatArray:
        """Mean diffusivity between carbons [m2/s], then its integral up to each [wt% m2/s].

        Parameters
        ----------
        temperature_K : array, (m,)     [K]; A1 to the end of the phase fits

        Returns    array, (m, 2 * `POINTS`)
        """
        if temperature_K.size == 1:
            where = (temperature_K.item() - A1_K) * (1.0 / TEMPERATURE_STEP_K)
            row = min(max(int(where), 0), _ROWS - 2)
            self._need(row, row + 1)
            one: FloatArray = self._rows[row + 1 : row + 2] - self._rows[row : row + 1]
            one *= where - row
            one += self._rows[row : row + 1]
            return one
        place = (temperature_K - A1_K) * (1.0 / TEMPERATURE_STEP_K)
        index = np.minimum(np.maximum(place.astype(np.int64), 0), _ROWS - 2)
        self._need(int(index.min()), int(index.max()) + 1)
        result: FloatArray = self._rows.take(index, axis=0)
        rise = self._rows.take(index + 1, axis=0)
        rise -= result
        rise *= (place - index)[:, None]
        result += rise
        return result

    def _need(self, first: int, last: int) -> None:
        for block in range(first // _BLOCK, last // _BLOCK + 1):
            if not self._known[block]:
                self._work_out(block)

    def _work_out(self, block: int) -> None:
        # Always the same rows together, so that no bit depends on which temperatures came first.
        rows = self._rows[block * _BLOCK : (block + 1) * _BLOCK]
        temperature_K = A1_K + TEMPERATURE_STEP_K * (block * _BLOCK + np.arange(len(rows), dtype=np.float64))
        D = self._law.at(temperature_K[:, None], _CARBON)
        rows[:, :POINTS] = 0.5 * (D[:, 1:] + D[:, :-1])
        rows[:, POINTS] = 0.0
        np.cumsum(rows[:, : POINTS - 1] * CARBON_STEP_WT_PCT, axis=1, out=rows[:, POINTS + 1 :])
        self._known[block] = True


@lru_cache(maxsize=16)
def integral_table(law: DiffusivityLaw) -> IntegralTable:
    """The law's table; made once."""
    return IntegralTable(law)
