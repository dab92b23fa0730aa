"""For all tests: what a loaded or small machine needs of the property tests. Speed is for benchmarks, not for them."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")
