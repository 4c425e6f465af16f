"""What is measured on site, and what is handed over."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError
from linkcalc.files import FilePath
from linkcalc.site.reading import Leaf, Way

if TYPE_CHECKING:
    from datetime import date

    from linkcalc.plan import Link, LoadedPlan, PlanLike
    from linkcalc.site.acceptance import Acceptance
    from linkcalc.site.fieldsheet import FieldSheet
    from linkcalc.site.readings import Readings
    from linkcalc.site.record import Record
    from linkcalc.site.survey import Survey


@kinds_checked
def survey(
    plan: "PlanLike",
    readings: "FilePath | Sequence[FilePath] | Readings",
    *,
    link: str | None = None,
    direction: Way | None = None,
    leaf: Leaf | None = None,
    wet_foliage: bool | None = None,
) -> "Survey":
    """Hold signal readings against the prediction, and answer the link anew.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    readings : path, sequence of paths, or Readings
        CSV, or JSON of the field sheet.
    link : str, optional
        Which, where the plan has several and the readings do not say.
    direction, leaf, wet_foliage
        Of rows that do not say.

    Returns
    -------
    Survey
        Rows that cannot be used are in `refused`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> plan = lc.sample_path("upland")
    >>> found = lc.survey(plan, lc.sample_path("upland_readings"))
    >>> found.readings_used > 0
    True
    """
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.plan.loading import as_plan
    from linkcalc.site.survey import survey_link

    loaded = as_plan(plan)
    chosen, found, _ = _read(loaded, link, readings, direction)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen, terrain)
        return survey_link(
            case, found, leaf=leaf, wet_foliage=wet_foliage, plan=loaded.plan, plan_digest=loaded.digest
        )


class Pace(TypedDict, total=False):
    """How the packets of a test follow each other."""

    interval_s: float | None
    duty_cycle: float | None
    time_on_air_s: float | None


@kinds_checked
def acceptance(
    plan: "PlanLike | None" = None,
    *,
    success: float = 0.95,
    confidence: float = 0.95,
    good_success: float | None = None,
    sent: int | None = None,
    lost: int = 0,
    link: str | None = None,
    direction: Way = "forward",
    **pace: Unpack[Pace],
) -> "Acceptance":
    """Say how many packets prove a link, how long that takes, and what a count shows.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan, optional
        For time on air and the legal interval.
    success, confidence : float, 0 to 1
        Share of packets to be proven, and how sure the proof is.
    good_success : float, 0 to 1, optional
        Share of packets that arrives over a link which the tests should pass; by default a fifth of the losses.
    sent, lost : int, 0 or more
        Packets that were counted, and how many of them did not arrive.
    interval_s : float, s, above 0, optional
        Between packets; by default the shortest that is legal.
    duty_cycle : float, 0 to 1, optional
        Largest share of the time on the air.
    time_on_air_s : float, s, above 0, optional
        Of one packet, in place of the plan's.
    link : str, optional
        Which, where the plan has several.
    direction : "forward" or "return"
        Whose packets: of the link's `from` station, or of its `to` station.

    Returns
    -------
    Acceptance

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.acceptance(success=0.95, sent=100, lost=2).count.passed
    False
    """
    from linkcalc.operation.limits import packet_of
    from linkcalc.plan.loading import as_plan, chosen_link
    from linkcalc.site.acceptance import acceptance as tests

    legal_s = None
    if plan is not None:
        loaded = as_plan(plan)
        air_s, legal_s = packet_of(loaded.plan, chosen_link(loaded, link).name, answers=direction == "return")
        if pace.get("time_on_air_s") is None:
            pace["time_on_air_s"] = air_s
    return tests(
        success,
        confidence,
        good_success=good_success,
        legal_interval_s=legal_s,
        sent=sent,
        lost=lost,
        **pace,
    )


@kinds_checked
def record(
    plan: "PlanLike",
    readings: "FilePath | Sequence[FilePath] | None" = None,
    *,
    link: str | None = None,
    leaf: Leaf | None = None,
    wet_foliage: bool | None = None,
    day: "date | None" = None,
    success: float | None = None,
    confidence: float = 0.95,
    photos: "Sequence[FilePath]" = (),
    **job: str,
) -> "Record":
    """Put together the record of a link, for the customer's file.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    readings : path or sequence of paths, optional
    link : str, optional
        Which, where the plan has several and the readings do not say.
    leaf, wet_foliage
        Of readings that do not say.
    day : date, optional
        Of the record; left out, room is left for it.
    success, confidence : float, 0 to 1
        What the acceptance test proves, and how surely.
    photos : sequence of path
        JPEG or PNG files.
    **job : str
        ``customer``, ``site``, ``number``, ``installer``, ``firm``.

    Returns
    -------
    Record
        With `to_html` and `to_pdf`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.record(lc.sample_path("plain"), site="tank hill").to_html()[:15]
    '<!DOCTYPE html>'
    """
    from dataclasses import fields

    from linkcalc.plan.loading import as_plan, chosen_link
    from linkcalc.site.record import Job, Taken, make_record

    known = [f.name for f in fields(Job)]
    for name in job:
        if name not in known:
            raise ArgumentError(f"record takes no {name}; a job has {', '.join(known)}")
    loaded = as_plan(plan)
    chosen, found, files = (
        (chosen_link(loaded, link), None, []) if readings is None else _read(loaded, link, readings, None)
    )
    return make_record(
        loaded,
        chosen,
        taken=None if found is None else Taken(found, files, leaf, wet_foliage),
        day=day,
        success=success,
        confidence=confidence,
        job=Job(**job),
        photos=[Path(p) for p in photos],
    )


@kinds_checked
def fieldsheet(
    plan: "PlanLike", *, link: str | None = None, highest_m: float | None = None, step_m: float | None = None
) -> "FieldSheet":
    """Work out a page that answers on site: heights, antennas and readings in, verdict out, without network.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    link : str, optional
        Which, where the plan has several.
    highest_m, step_m : float, m
        Highest antenna that can be entered, and the step that is worked out.

    Returns
    -------
    FieldSheet
        With `to_html`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> sheet = lc.fieldsheet(lc.sample_path("plain"), highest_m=8.0, step_m=2.0)
    >>> sheet.link
    'level and pump permit'
    """
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.plan.loading import as_plan, chosen_link
    from linkcalc.site.fieldsheet import field_sheet

    loaded = as_plan(plan)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen_link(loaded, link), terrain)
    return field_sheet(loaded, case, highest_m=highest_m, step_m=step_m)


def _read(
    loaded: "LoadedPlan",
    link: str | None,
    given: "FilePath | Sequence[FilePath] | Readings",
    direction: Way | None,
) -> "tuple[Link, Readings, list[Path]]":
    """The link that readings are of, the readings, and their files."""
    from linkcalc.plan.loading import chosen_link
    from linkcalc.site.readings import Readings, link_named_in, read_all

    if isinstance(given, Readings):
        return chosen_link(loaded, link), given, []
    # asked by name: a str is a sequence, too, of one-letter paths
    several = [given] if isinstance(given, str | os.PathLike) else given
    files = [Path(file) for file in several]
    named = (name for name in map(link_named_in, files) if name is not None)
    chosen = chosen_link(loaded, link or next(named, None))
    return chosen, read_all(files, (chosen.from_, chosen.to), direction=direction), files
