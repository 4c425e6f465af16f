"""What stands at the ends: modulation, receiver, antenna, feeder; pure functions of arrays."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import ModuleType

    from linkcalc.radio import (
        antenna as antenna,
    )
    from linkcalc.radio import (
        css as css,
    )
    from linkcalc.radio import (
        feeder as feeder,
    )
    from linkcalc.radio import (
        fsk as fsk,
    )
    from linkcalc.radio import (
        receiver as receiver,
    )
    from linkcalc.radio import (
        signal_level as signal_level,
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
