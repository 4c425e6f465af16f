"""Losses on the way: one module for each phenomenon or standard, pure functions of arrays."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import ModuleType

    from linkcalc.propagation import (
        building_entry,
        clutter,
        compiled,
        diffraction,
        free_space,
        fresnel,
        ground,
        irregular,
        noise,
        p1812,
        refractivity,
        two_ray,
        vegetation,
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
