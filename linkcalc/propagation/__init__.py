"""Losses on the way: one module for each phenomenon or standard, pure functions of arrays."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import ModuleType

    from linkcalc.propagation import (
        building_entry as building_entry,
    )
    from linkcalc.propagation import (
        clutter as clutter,
    )
    from linkcalc.propagation import (
        compiled as compiled,
    )
    from linkcalc.propagation import (
        diffraction as diffraction,
    )
    from linkcalc.propagation import (
        free_space as free_space,
    )
    from linkcalc.propagation import (
        fresnel as fresnel,
    )
    from linkcalc.propagation import (
        ground as ground,
    )
    from linkcalc.propagation import (
        irregular as irregular,
    )
    from linkcalc.propagation import (
        noise as noise,
    )
    from linkcalc.propagation import (
        p1812 as p1812,
    )
    from linkcalc.propagation import (
        refractivity as refractivity,
    )
    from linkcalc.propagation import (
        two_ray as two_ray,
    )
    from linkcalc.propagation import (
        vegetation as vegetation,
    )
else:
    # each module is imported when it is first used

    def __getattr__(name: str) -> "ModuleType":
        if name in __all__:
            return import_module(f"linkcalc.propagation.{name}")
        raise AttributeError(
            f"module 'linkcalc.propagation' has no attribute {name!r}; there are {', '.join(__all__)}"
        )


__all__ = [
    "building_entry",
    "clutter",
    "compiled",
    "diffraction",
    "free_space",
    "fresnel",
    "ground",
    "irregular",
    "noise",
    "p1812",
    "refractivity",
    "two_ray",
    "vegetation",
]
