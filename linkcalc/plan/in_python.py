"""A plan made in Python rather than read from a file."""

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkcalc.errors import ArgumentError, LinkcalcError, PlanError, shortened
from linkcalc.plan.assumptions import assumed_values
from linkcalc.plan.base import Section
from linkcalc.plan.links import Link
from linkcalc.plan.loading import LoadedPlan, checked_plan, load_plan, plan_notes
from linkcalc.plan.model import Plan
from linkcalc.plan.wording import nearest, quoted

if TYPE_CHECKING:
    from linkcalc.terrain.profile import Profile

_NO_FILE = Path("made in Python")


PlanLike = str | os.PathLike[str] | Mapping[str, Any] | Plan | LoadedPlan
"""What every answer takes for a plan: the path of a plan file, its tables, a `Plan`, or one loaded already."""


def as_plan(plan: PlanLike) -> LoadedPlan:
    """Return a plan loaded and checked, whatever form it comes in.

    >>> as_plan(3)
    Traceback (most recent call last):
    linkcalc.errors.ArgumentError: a plan is the path of a plan file, a dict of its tables, a Plan, or what \
load_plan or plan_from returns; not int: 3
    """
    if isinstance(plan, LoadedPlan):
        return plan
    if isinstance(plan, str | os.PathLike):
        return load_plan(plan)
    if isinstance(plan, Plan | Mapping):
        return plan_from(plan)
    raise ArgumentError(
        "a plan is the path of a plan file, a dict of its tables, a Plan, or what load_plan or plan_from "
        f"returns; not {type(plan).__name__}: {shortened(plan)}"
    )


def chosen_link(loaded: LoadedPlan, name: str | None, *, said: str = "link=") -> Link:
    """Return the link of that name, or the only one; `said` is how the caller is told one."""
    links = loaded.plan.link
    names = ", ".join(f'"{k.name}"' for k in links)
    if name is None:
        if len(links) > 1:
            raise LinkcalcError(f"{loaded.path}: has {len(links)} links; say which with {said}: {names}")
        return links[0]
    chosen = next((k for k in links if k.name == name), None)
    if chosen is None:
        raise LinkcalcError(f'{loaded.path}: has no link "{name}"; its links: {names}')
    return chosen


def plan_from(
    tables: Mapping[str, Any] | Section | None = None,
    /,
    *,
    profiles: "Mapping[str, Profile] | None" = None,
    base_dir: str | os.PathLike[str] = ".",
    **sections: Any,
) -> LoadedPlan:
    """Make a plan from what a plan file would hold, held to the same rules.

    Parameters
    ----------
    tables : mapping or Plan, optional
        Keys and values as in a plan file; units are in the names of the keys. Tables may be mappings or
        sections such as `linkcalc.plan.Station`, lists may be any sequence, numbers numpy's.
    profiles : mapping of str to Profile, optional
        Profiles by name of the link, in place of `profile_csv` or rasters.
    base_dir : path
        The folder that paths in the plan are relative to.
    **sections
        Top-level keys, added to `tables` or in place of its own: ``station=[...]``, ``link=[...]``.

    Returns
    -------
    LoadedPlan
        For `linkcalc.check_plan` and `linkcalc.sweep_plan`. Its digest is that of the values and profiles.

    Raises
    ------
    PlanError
        If it is no valid plan, a file that it names does not exist, or a profile is of no link.

    Examples
    --------
    >>> from linkcalc.terrain.profile import profile_from
    >>> made = plan_from(
    ...     station=[{"name": "tank", "antenna_height_m": 4}, {"name": "shed", "antenna_height_m": 6}],
    ...     link=[{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 868.3,
    ...            "modulation": {"kind": "css", "spreading_factor": 9}}],
    ...     profiles={"level": profile_from([0, 1500, 3000], [40, 52, 44])})
    >>> made.plan.link[0].frequency_mhz, [a.key for a in made.assumed][:1]
    (868.3, ['station "tank" surroundings'])
    >>> plan_from(made.plan, link=[])
    Traceback (most recent call last):
    linkcalc.errors.PlanError: link: 0 given, at least 1 needed; add [[link]]
    """
    if tables is not None and not isinstance(tables, Mapping | Section):
        raise ArgumentError(
            f"plan_from takes a dict of a plan file's tables or a Plan; not {type(tables).__name__}: "
            f"{shortened(tables)}"
        )
    if profiles is not None and not isinstance(profiles, Mapping):
        raise ArgumentError(
            f"profiles is a dict of profiles by name of the link; not {type(profiles).__name__}: {shortened(profiles)}"
        )
    data = {**plain(tables or {}), **plain(sections)}
    profiles = dict(profiles or {})
    plan = checked_plan(data, Path(base_dir), profiles)
    links = {link.name: link for link in plan.link}
    for name in profiles:
        if name not in links:
            raise PlanError(f"profiles: unknown link {quoted(name)}; did you mean {nearest(name, [*links])}?")
        if links[name].profile_csv is not None:
            raise PlanError(f"link {quoted(name)}: give profile_csv or its profile, not both")
    return LoadedPlan(
        plan,
        _NO_FILE,
        Path(base_dir),
        _digest(data, profiles),
        assumed_values(plan),
        tuple(plan_notes(plan)),
        profiles,
    )


def _digest(data: Mapping[str, Any], profiles: "Mapping[str, Profile]") -> str:
    digest = hashlib.sha256(json.dumps(data, sort_keys=True).encode())
    for name, profile in sorted(profiles.items()):
        digest.update(f"\n{name}\n{','.join(profile.clutter_kind)}\n".encode())
        for column in (profile.distance_m, profile.ground_m, profile.clutter_m, profile.zone):
            digest.update(column.tobytes())
    return digest.hexdigest()


def plain(value: Any) -> Any:
    """Write a value with the types a plan file has."""
    if isinstance(value, Section):
        return value.model_dump(by_alias=True, exclude_unset=True)
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    # numpy's numbers and arrays
    return value.tolist() if hasattr(value, "tolist") else value
