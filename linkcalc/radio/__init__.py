"""What stands at the ends: modulation, receiver, antenna, feeder; pure functions of arrays."""

from importlib import import_module
from types import ModuleType

__all__ = [
    "antenna",
    "css",
    "feeder",
    "fsk",
    "receiver",
    "signal_level",
]


def __getattr__(name: str) -> ModuleType:
    # each module is imported when it is first used
    if name in __all__:
        return import_module(f"linkcalc.radio.{name}")
    raise AttributeError(f"module 'linkcalc.radio' has no attribute {name!r}; there are {', '.join(__all__)}")
