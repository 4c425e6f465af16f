"""What every section of a plan file shares."""

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

from linkcalc.units import stated_in

ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f]*$"
"""Text without control characters."""

COMMON_PRACTICE = "common practice, no source"

_NAME = r"^[^\x00-\x20\x7f-\xa0]([^\x00-\x1f\x7f-\x9f]*[^\x00-\x20\x7f-\xa0])?$"


class Section(BaseModel):
    """A table of the plan file: typed strictly, closed to unknown keys, immutable."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, protected_namespaces=()
    )

    @model_validator(mode="before")
    @classmethod
    def _units_stated(cls, data: Any) -> Any:
        """A number may be text with another unit than its key's: "12 ft"."""
        if not isinstance(data, dict) or not any(isinstance(value, str) for value in data.values()):
            return data
        known = {field.alias or name: field.annotation for name, field in cls.model_fields.items()}
        numbers = (float, float | None)
        return {
            key: stated_in(key, value) if isinstance(value, str) and known.get(key) in numbers else value
            for key, value in data.items()
        }

    def idle_keys(self) -> Iterable[str]:
        """Keys whose value changes nothing while the section's other values are as they are.

        A default of such a key is not listed as an assumption.
        """
        return ()

    def implied(self) -> Iterable[tuple[str, Any, str]]:
        """Assumptions that no single default expresses: key, value and source of each."""
        return ()


def given(description: str, **limits: Any) -> Any:
    """A key that the plan must state."""
    return Field(description=description, **limits)


def optional(description: str, **limits: Any) -> Any:
    """A key that may be left out; nothing is assumed in its place."""
    return Field(default=None, description=description, **limits)


def assumed(default: Any, description: str, source: str = COMMON_PRACTICE, **limits: Any) -> Any:
    """A key with a default that is listed under "assumed" in the result, with its source."""
    return Field(default=default, description=description, json_schema_extra={"source": source}, **limits)


def plain(default: Any, description: str, **limits: Any) -> Any:
    """A key whose default assumes nothing about the world (an empty list, an identity)."""
    return Field(default=default, description=description, **limits)


def starters() -> Any:
    """The key by which a file says that `linkcalc new` wrote it."""
    return plain(
        False,
        "written by `linkcalc new`: every answer names the values that are still the starter's; take this line "
        "away once all of them are yours",
    )


def shown_units() -> Any:
    """The key that says in which units people read the answers."""
    return plain("metric", "units of lengths and volumes in reports and pictures; JSON and CSV stay metric")


def label(description: str, **extra: Any) -> Any:
    """A key that holds a short text: one printable line, up to 60 characters."""
    return Field(description=description, min_length=1, max_length=60, pattern=_NAME, **extra)
