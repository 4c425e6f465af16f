"""What every section of a plan file shares."""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


class Section(BaseModel):
    """A table of the plan file: typed strictly, closed to unknown keys, immutable."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def given(description: str, **limits: Any) -> Any:
    """A key that the plan must state."""
    return Field(description=description, **limits)


def optional(description: str, **limits: Any) -> Any:
    """A key that may be left out; nothing is assumed in its place."""
    return Field(default=None, description=description, **limits)


def assumed(default: Any, description: str, source: str, **limits: Any) -> Any:
    """A key with a default that is listed under "assumed" in the result, with its source."""
    return Field(default=default, description=description, json_schema_extra={"source": source}, **limits)


def plain(default: Any, description: str, **limits: Any) -> Any:
    """A key whose default assumes nothing about the world (an empty list, an identity)."""
    return Field(default=default, description=description, **limits)
