"""For all tests: what a small machine needs of the property tests, and an order in which waiting and reckoning go together.

Speed is for benchmarks, not for them.
"""

from __future__ import annotations

from itertools import groupby

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that wait for a printer and files that reckon take turns, so that some files at a time keep the processors busy."""
    files = [list(tests) for _, tests in groupby(items, key=lambda item: item.path)]
    waiting = [file for file in files if all(item.get_closest_marker("slow") for item in file)]
    reckoning = [file for file in files if file not in waiting]
    places = [((at + 0.5) / len(kind), file) for kind in (waiting[::-1], reckoning) for at, file in enumerate(kind)]
    items[:] = [item for _, file in sorted(places, key=lambda placed: placed[0]) for item in file]
