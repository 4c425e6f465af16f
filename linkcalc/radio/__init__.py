"""What stands at the ends: modulation, receiver, antenna, feeder; pure functions of arrays."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import ModuleType

    from linkcalc.radio import (
        antenna,
        css,
        feeder,
        fsk,
        receiver,
        signal_level,
    )
else:
    # each module is imported when it is first used

    def __getattr__(name: str) -> "ModuleType":
        if name in __all__:
            return import_module(f"linkcalc.radio.{name}")
        raise AttributeError(
            f"module 'linkcalc.radio' has no attribute {name!r}; there are {', '.join(__all__)}"
        )


__all__ = [
    "antenna",
    "css",
    "feeder",
    "fsk",
    "receiver",
    "signal_level",
]
