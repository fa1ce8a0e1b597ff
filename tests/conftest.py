"""What all tests share: how hypothesis judges, and the order in which tests that run side by side are taken up."""

import os
from itertools import groupby

import pytest
from hypothesis import HealthCheck, settings

# Answers are judged, never the speed of the machine a test happens to run on.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Slow tests first, a file's together, shared out among the workers: the last to begin must not be a long one.

    Every worker first gets an equal share of the list, cut where it happens, and takes what others have not begun.
    """
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    slow = [item for item in items if item.get_closest_marker("slow")]
    quick = [item for item in items if not item.get_closest_marker("slow")]
    files = [list(tests) for _, tests in groupby(slow, key=lambda item: item.path)]
    share = len(items) // workers
    items.clear()
    for worker in range(workers):
        begun = len(items)
        for tests in files[worker::workers]:
            items.extend(tests)
        last = worker == workers - 1
        still = len(quick) if last else max(0, share - (len(items) - begun))
        items.extend(quick[:still])
        del quick[:still]
