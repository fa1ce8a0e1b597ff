"""A long trace as few points, with no peak hidden and no line drawn across missing readings."""

import numpy as np

from logger.errors import Fault, InputFault
from logger.units import FloatArray


def thin(time_s: FloatArray, value: FloatArray, buckets: int) -> tuple[FloatArray, FloatArray]:
    """The points of a trace that are worth drawing when only about ``buckets`` columns can be told apart.

    The whole time is cut into equal buckets. Of each the first, last, lowest and highest point stay, all at their
    own time, so every peak of the full trace is in the thinned one. Wherever readings are missing (NaN) between two
    points that stay, one missing point stays between them: a line through the result breaks where the full one would.

    Parameters
    ----------
    time_s : array, shape (n,)   times [s], not decreasing
    value : array, shape (n,)    any quantity; NaN where there is none
    buckets : how many buckets, at least 1

    Returns    (time_s, value), arrays of one length, at most 8 x buckets, a subset of the given points
    Raises     InputFault        arrays of unequal length, or fewer than one bucket
    """
    if time_s.ndim != 1 or time_s.shape != value.shape:
        raise InputFault(
            Fault("trace to thin", f"{time_s.shape} times and {value.shape} values", "two flat arrays of equal length")
        )
    if buckets < 1:
        raise InputFault(Fault("trace to thin", f"{buckets} buckets", "at least 1"))
    if time_s.size <= 4 * buckets:
        return time_s, value

    span_s = float(time_s[-1] - time_s[0])
    share = (time_s - time_s[0]) / span_s if span_s > 0.0 else np.zeros_like(time_s)
    bucket = np.minimum((share * buckets).astype(np.int64), buckets - 1)
    starts = np.flatnonzero(np.diff(bucket, prepend=-1))
    ends = np.append(starts[1:], time_s.size) - 1

    missing = np.isnan(value)
    lowest = np.fmin.reduceat(value, starts)
    highest = np.fmax.reduceat(value, starts)
    number = np.cumsum(np.diff(bucket, prepend=-1) > 0) - 1  # buckets that hold points, counted from 0
    keep = np.concatenate(
        [starts, ends, _first_where(value == lowest[number], number), _first_where(value == highest[number], number)]
    )
    keep = np.unique(keep)

    missing_so_far = np.cumsum(missing)
    between = missing_so_far[keep[1:]] - missing[keep[1:]] - missing_so_far[keep[:-1]]
    broken = (between > 0) & ~missing[keep[1:]] & ~missing[keep[:-1]]
    first_missing = np.searchsorted(missing_so_far, missing_so_far[keep[:-1][broken]] + 1)
    keep = np.union1d(keep, first_missing)
    return time_s[keep], value[keep]


def _first_where(holds: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Index of the first point in each bucket for which ``holds``."""
    at = np.flatnonzero(holds)
    _, first = np.unique(number[at], return_index=True)
    return np.asarray(at[first])
