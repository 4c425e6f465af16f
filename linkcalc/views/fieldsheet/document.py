"""The page of a field sheet, `templates/fieldsheet/page.html`, with its rules, its script and what that reads."""

import base64
import hashlib
from collections.abc import Iterable
from importlib.resources import files

import numpy as np

from linkcalc.site.fieldsheet import AntennaOption, FeederOption, FieldSheet
from linkcalc.site.fitted import AS_PLANNED
from linkcalc.views import style, units
from linkcalc.views.fieldsheet.data import page_data
from linkcalc.views.html import page
from linkcalc.views.words import distance_words


def field_sheet_html(sheet: FieldSheet) -> str:
    """Write a field sheet as one page of HTML that needs nothing else, no network either."""
    from markupsafe import Markup

    here = files("linkcalc.views.fieldsheet")
    rules, *scripts = (
        f"\n{here.joinpath(name).read_text('utf-8')}" for name in ("page.css", "measured.js", "page.js")
    )
    for place, colours in (("colours", style.SHEET), ("colours in the dark", style.SHEET_IN_THE_DARK)):
        rules = rules.replace(f"/* {place} */", style.css_variables(colours))
    script = "".join(scripts)
    ends = [
        {"side": side, "name": end.name, "antennas": _options(end.antennas), "feeders": _options(end.feeders)}
        for side, end in zip(("near", "far"), sheet.ends, strict=True)
    ]
    planned = sheet.planned_signal
    heights = (sheet.pairs.near_height_m, sheet.pairs.far_height_m)
    steps = dict.fromkeys(f"{np.median(np.diff(h)):g} m" for h in heights if len(h) > 1)
    return page(
        "fieldsheet/page.html",
        sheet=sheet,
        rules=Markup(rules),
        rules_hash=_hash(rules),
        script=Markup(script),
        script_hash=_hash(script),
        length=distance_words(sheet.length_m),
        frequency=f"{sheet.frequency_hz / 1e6:g} MHz",
        ends=ends,
        signals=[f"{s.name} (as planned)" if i == planned else s.name for i, s in enumerate(sheet.signals)],
        unit=units.name("m"),
        steps=" and ".join(steps) or "none: only the planned heights",
        data=page_data(sheet),
    )


def _hash(text: str) -> str:
    """As a content security policy names what may run."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _options(options: Iterable[AntennaOption | FeederOption]) -> list[str]:
    """What is fitted first: a narrow screen cuts the end off."""
    said = []
    for o in options:
        if o.name == AS_PLANNED or o.name.startswith("as at "):
            said.append(f"{o.words} ({o.name})")
        elif o.words.startswith(o.name):
            said.append(o.words)
        else:
            said.append(f"{o.name}: {o.words}")
    return said
