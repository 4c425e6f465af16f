"""Settings of all tests."""

import os

import pytest
from hypothesis import HealthCheck, settings

# How long a machine takes for an example says nothing about linkcalc. A continuous run tries the same ones
# every time, so that a red one is about the change; at a desk they vary.
settings.register_profile("desk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True)
settings.register_profile("quick", settings.get_profile("ci"), max_examples=20)
settings.load_profile("ci" if os.environ.get("CI") else "desk")


def pytest_configure(config: pytest.Config) -> None:
    """Fewer examples of each law where the quick tests are asked for."""
    if config.option.markexpr == "quick":
        settings.load_profile("quick")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark one case of every test that is not slow as `quick`."""
    seen = set()
    for item in items:
        family = item.nodeid.partition("[")[0]
        if family not in seen and item.get_closest_marker("slow") is None:
            seen.add(family)
            item.add_marker("quick")
