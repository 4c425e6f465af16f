"""The plan file's door: a plan read from a file or made in Python, with where it came from and what it assumes."""

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError, LinkcalcError, PlanError, nearest, quoted, shortened
from linkcalc.files import atomic_write
from linkcalc.plan.assumptions import Assumption, assumed_values
from linkcalc.plan.base import Section
from linkcalc.plan.checking import checked_plan, plan_notes, read_text, surveyed, told_of
from linkcalc.plan.edits import Edit, edit_at, edited, setting
from linkcalc.plan.links import Link
from linkcalc.plan.model import Plan
from linkcalc.plan.scenario import SOURCE, starter_profile
from linkcalc.plan.stations import Station
from linkcalc.plan.syntax import parsed, toml
from linkcalc.terrain.sources import is_elsewhere

if TYPE_CHECKING:
    from linkcalc.terrain.profile import Profile


@dataclass(frozen=True)
class LoadedPlan:
    """A valid plan with where it came from."""

    plan: Plan
    path: Path
    base_dir: Path
    digest: str
    """SHA-256 of the file, hexadecimal; of the values for a plan made in Python."""
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]
    profiles: "Mapping[str, Profile]" = field(default_factory=dict)
    """Profiles given in Python, by name of the link; they stand for what files would give."""
    settings: tuple[str, ...] = ()

    def changed(self, values: Mapping[str, Any] | None = None, /, **sections: Any) -> "LoadedPlan":
        """Return the plan with other values; its folder and its profiles stay.

        Parameters
        ----------
        values : mapping of str to value
            By key: ``"NAME.antenna_height_m"`` of a station, ``"NAME.modulation.spreading_factor"`` of a link
            (``"station.NAME. ..."`` or ``"link.NAME. ..."`` where both have the name), and from the top of the
            file, such as ``"conditions.leaf"``. None takes a key away, so that its default counts. A feeder grows
            with an antenna that is set higher, unless its length is set too, as in `load_plan`.
        **sections
            Top-level keys as a whole, as in `plan_from`; None takes one away.

        Examples
        --------
        >>> import linkcalc as lc
        >>> plan = lc.load_plan(lc.sample_path("plain"))
        >>> higher = plan.changed({"header tank.antenna_height_m": 8, "level and pump permit.tries": 2}, title="Higher")
        >>> higher.plan.station[0].antenna_height_m, higher.plan.link[0].tries, higher.plan.title
        (8.0, 2, 'Higher')
        >>> plan.changed({"pump shde.antenna_height_m": 8})
        Traceback (most recent call last):
        linkcalc.errors.PlanError: pump shde.antenna_height_m: unknown station, link, message or section\
 "pump shde"; did you mean "pump shed"?
        """
        if values is not None and not isinstance(values, Mapping):
            raise ArgumentError(
                f'changed takes a dict such as {{"shed.antenna_height_m": 8}}; not {shortened(values)}'
            )
        tables = {key: plain(v) for key, v in {**self.tables(), **sections}.items() if v is not None}
        edits = [edit_at(path, plain(value), tables) for path, value in (values or {}).items()]
        made = plan_from(edited(tables, edits), profiles=self.profiles, base_dir=self.base_dir)
        # stations that are given anew have no earlier height, and state their own cable
        grown = _grown_feeders(edits, () if "station" in sections else self.plan.station, made.plan.station)
        return made.changed({f"station.{e.name}.feeder.length_m": e.value for e in grown}) if grown else made

    def tables(self) -> dict[str, Any]:
        """Return what the plan states, as a plan file's tables."""
        # a default that was written out would count as stated, and no longer be listed as assumed
        return self.plan.model_dump(by_alias=True, exclude_unset=True, exclude_none=True)

    def to_toml(self) -> str:
        """Return the plan as the text of a plan file, for its folder; comments of the file it came from are lost."""
        if self.profiles:
            names = ", ".join(quoted(name) for name in self.profiles)
            raise PlanError(
                f"the profile of {names} was given in Python: write(path) keeps it beside the plan"
            )
        return toml(self.tables())

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the plan as a TOML plan file, whole or not at all; what is there is replaced. Loaded again it is the
        same plan.

        Files that it names are named from the new folder. Profiles given in Python are written beside it.
        """
        path = Path(path)
        tables = _moved(self.tables(), self.base_dir, path.parent)
        for number, (name, profile) in enumerate(self.profiles.items(), 1):
            words = re.sub(r"[^\w-]+", "_", name).strip("_") or str(number)
            file = path.with_name(f"{path.stem}_{words}.csv")
            next(k for k in tables["link"] if k["name"] == name)["profile_csv"] = file.name
            atomic_write(file, _profile_text(profile))
        atomic_write(path, toml(tables))


@kinds_checked
def load_plan(path: str | os.PathLike[str], settings: Sequence[str] = ()) -> LoadedPlan:
    """Read and check a plan file.

    Parameters
    ----------
    path : str or path
        TOML file in UTF-8.
    settings : sequence of str
        Keys with values in place of the file's, as `linkcalc.plan.edits.setting` reads them:
        ``"tank.antenna_height_m=8"``. The result names them, and its digest is of both. A feeder
        grows with an antenna that is set higher, unless its length is set too.

    Returns
    -------
    LoadedPlan

    Examples
    --------
    >>> load_plan("absent.toml")
    Traceback (most recent call last):
    linkcalc.errors.PlanError: absent.toml: no such file; `linkcalc new absent.toml` writes a starter
    """
    path = Path(path)
    with told_of(path):
        raw = read_text(path)
        data = parsed(raw)
        if not data:
            raise PlanError("is empty; `linkcalc new` writes a starter plan")
        if settings:
            plan, settings = _set_plan(data, path.parent, settings)
        else:
            plan = checked_plan(data, path.parent)
    digest = hashlib.sha256(b"\n".join([raw, *(s.encode() for s in settings)])).hexdigest()
    notes = (*(f"set for this run, not as in the file: {s}" for s in settings), *plan_notes(plan))
    assumed = (*assumed_values(plan, starter=plan.starter), *_starter_profiles(plan, path.parent))
    return LoadedPlan(plan, path, path.parent, digest, assumed, notes, settings=tuple(settings))


def _set_plan(
    data: Mapping[str, Any], base_dir: Path, settings: Sequence[str]
) -> tuple[Plan, tuple[str, ...]]:
    """The plan with settings, and all of them: a cable that comes down grows with an antenna that is set higher."""
    try:
        edits = [setting(s, data) for s in settings]
        plan = checked_plan(edited(data, edits), base_dir)
    except PlanError as error:
        checked_plan(data, base_dir)  # what is wrong with the file itself is told as such
        raise PlanError(f"--set {error}") from None
    grown = _grown_feeders(edits, checked_plan(data, base_dir).station, plan.station)
    if grown:
        plan = checked_plan(edited(data, [*edits, *grown]), base_dir)
    return plan, (*settings, *(f"{e.name}.feeder.length_m={e.value:g}" for e in grown))


def _grown_feeders(edits: Sequence[Edit], before: Sequence[Station], after: Sequence[Station]) -> list[Edit]:
    """A cable that comes down grows with an antenna that is set higher, unless its length is set too."""
    keys = {(e.name, e.key) for e in edits if e.table == "station"}
    planned_m = {station.name: station.antenna_height_m for station in before}
    grown = []
    for station in after:
        rise_m = station.antenna_height_m - planned_m.get(station.name, station.antenna_height_m)
        # an antenna that is set lower keeps its cable: its loss is the safe side
        raised = (station.name, ("antenna_height_m",)) in keys and rise_m > 0.0
        length_set = {(station.name, ("feeder",)), (station.name, ("feeder", "length_m"))} & keys
        if raised and not length_set and station.feeder.length_m > 0.0:
            # six digits, as it is shown as a setting: a sum of floats may have seventeen
            length_m = float(f"{station.feeder.length_m + rise_m:.6g}")
            grown.append(Edit("station", station.name, ("feeder", "length_m"), length_m))
    return grown


def _starter_profiles(plan: Plan, base_dir: Path) -> Iterator[Assumption]:
    """Surveyed profiles that are the invented one."""
    if not plan.starter:
        return
    invented = starter_profile().encode()
    for key, name in surveyed(plan):
        if (base_dir / name).read_bytes() == invented:
            yield Assumption(key, name, SOURCE)


_NO_FILE = Path("made in Python")


PlanLike = str | os.PathLike[str] | Mapping[str, Any] | Plan | LoadedPlan
"""What every answer takes for a plan: the path of a plan file, its tables, a `Plan`, or one loaded already."""


def as_plan(plan: PlanLike) -> LoadedPlan:
    """Return a plan loaded and checked, whatever form it comes in."""
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


@kinds_checked
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
        assumed_values(plan, starter=plan.starter),
        tuple(plan_notes(plan)),
        profiles,
    )


def _digest(data: Mapping[str, Any], profiles: "Mapping[str, Profile]") -> str:
    # sorted: the order of keys in a dictionary makes no other plan
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


def _moved(value: Any, old: Path, new: Path, key: str = "") -> Any:
    """Tables whose files (keys ..._csv, ..._file and ...rasters) are named as seen from another folder."""
    if isinstance(value, Mapping):
        return {name: _moved(inner, old, new, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [_moved(inner, old, new, key) for inner in value]
    is_file = isinstance(value, str) and key.endswith(("_csv", "_file", "rasters"))
    if not is_file or is_elsewhere(value) or os.path.isabs(value) or old.resolve() == new.resolve():
        return value
    return Path(os.path.relpath(old.resolve() / value, new.resolve())).as_posix()


def _profile_text(profile: "Profile") -> str:
    """The table of a surveyed profile, as `linkcalc.read_profile_csv` reads it."""
    columns = (profile.distance_m, profile.ground_m, profile.clutter_m)
    rows = (
        f"{x!r},{ground!r},{clutter!r},{kind},{zone}"
        for x, ground, clutter, kind, zone in zip(
            *(c.tolist() for c in columns), profile.clutter_kind, profile.zone.tolist(), strict=True
        )
    )
    return "\n".join(["distance_m,ground_m,clutter_m,clutter_kind,zone", *rows]) + "\n"
