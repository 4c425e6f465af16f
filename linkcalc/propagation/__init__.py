"""Losses on the way: one module for each phenomenon or standard, pure functions of arrays."""

from importlib import import_module
from types import ModuleType

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


def __getattr__(name: str) -> ModuleType:
    # each module is imported when it is first used
    if name in __all__:
        return import_module(f"linkcalc.propagation.{name}")
    raise AttributeError(
        f"module 'linkcalc.propagation' has no attribute {name!r}; there are {', '.join(__all__)}"
    )
