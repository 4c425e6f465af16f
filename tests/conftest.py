"""Settings of all tests."""

import os
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

# How long a machine takes for an example says nothing about linkcalc. A continuous run tries the same ones
# every time, so that a red one is about the change; at a desk they vary.
settings.register_profile("desk", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True)
settings.register_profile("quick", settings.get_profile("ci"), max_examples=10)
settings.load_profile("ci" if os.environ.get("CI") else "desk")


def _quick(config: pytest.Config) -> bool:
    return bool(config.option.markexpr == "quick")


def pytest_configure(config: pytest.Config) -> None:
    """Fewer examples of each law where the quick tests are asked for, and machine code that is made in less time
    than it would take to run; it is kept apart from the one that commands use.
    """
    if _quick(config):
        settings.load_profile("quick")
        os.environ.setdefault("NUMBA_OPT", "0")
        os.environ.setdefault("NUMBA_CACHE_DIR", str(config.rootpath / ".pytest_cache" / "machine-code"))


@pytest.fixture(scope="session")
def few(request: pytest.FixtureRequest) -> Callable[[int], int]:
    """How many of so many cases a test of its own making tries: a fifth where the quick tests are asked for."""
    return lambda whole: -(-whole // 5) if _quick(request.config) else whole


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files of pictures hold no drawing: where the files are what is tested, not what is on them."""
    monkeypatch.setattr("linkcalc.views.style.render", lambda figure, kind, title="": f"a {kind}".encode())


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """All tests of a file in one process, unless told otherwise: what they share is made and compiled once."""
    from xdist.scheduler import LoadFileScheduling

    return LoadFileScheduling(config, log) if config.option.dist == "load" else None


WHOLE_ANSWERS = ("linkcalc/commands/", "linkcalc/fleets/answer.py")
"""Their examples answer whole samples, as the tests of the commands do."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark one case of every test that is not slow as `quick`."""
    seen = set()
    for item in items:
        if item.nodeid.startswith(WHOLE_ANSWERS):
            item.add_marker("slow")
        family = item.nodeid.partition("[")[0]
        if family not in seen and item.get_closest_marker("slow") is None:
            seen.add(family)
            item.add_marker("quick")
