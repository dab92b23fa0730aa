"""For all tests: what a loaded or small machine needs of the property tests, and the order of the files.

Speed is for benchmarks, not for them.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What waits for real time goes first, so that nothing long is left for one process alone at the end."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
