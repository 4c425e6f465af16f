"""Which defaults a plan relies on."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from linkcalc.plan.base import Section
from linkcalc.plan.wording import element

if TYPE_CHECKING:
    from linkcalc.plan.model import Plan
    from linkcalc.result import Assumption


def assumed_values(plan: "Plan") -> "tuple[Assumption, ...]":
    """List every default that was used and matters, with its source.

    Sections that the plan leaves out count: their defaults are used all the same. Defaults that
    change nothing in this plan (the loss of an arrestor that is not fitted) are left out.

    Parameters
    ----------
    plan : Plan
        A valid plan.

    Returns
    -------
    tuple of Assumption
        In the order of the plan's sections; keys read like ``station "tank" feeder.connector_loss_db``.

    Examples
    --------
    >>> from linkcalc.plan import Plan
    >>> plan = Plan.model_validate({
    ...     "station": [{"name": "tank", "antenna_height_m": 3}, {"name": "shed", "antenna_height_m": 6}],
    ...     "link": [{"name": "up", "from": "tank", "to": "shed", "frequency_mhz": 868.0,
    ...               "modulation": {"kind": "css", "spreading_factor": 10}}]})
    >>> first = assumed_values(plan)[0]
    >>> first.key, first.value
    ('station "tank" surroundings', 'open')
    """
    # numpy comes with the result types; a plan alone does without
    from linkcalc.result import Assumption

    return tuple(Assumption(*found) for found in _walk(plan, "", frozenset()))


def _walk(section: Section, prefix: str, idle: frozenset[str]) -> Iterator[tuple[str, Any, str]]:
    idle |= {prefix + key for key in section.idle_keys()}
    for name, field in type(section).model_fields.items():
        key = field.alias or name
        value = getattr(section, name)
        extra = field.json_schema_extra
        if prefix + key in idle:
            continue
        if isinstance(value, Section):
            yield from _walk(value, f"{prefix}{key}.", idle)
        elif isinstance(value, list):
            for index, item in enumerate(value):
                place = prefix + element(key, index, getattr(item, "name", getattr(item, "station", None)))
                if isinstance(item, Section) and place not in idle:
                    yield from _walk(item, place + " ", idle)
        elif name not in section.model_fields_set and isinstance(extra, dict) and "source" in extra:
            yield prefix + key, value, str(extra["source"])
    yield from ((prefix + key, value, source) for key, value, source in section.implied())
