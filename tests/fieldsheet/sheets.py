"""The sheets that a browser opens: the samples', one of them with parts at hand."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from linkcalc.link.case import LinkCase
from linkcalc.link.on_ground import link_case, open_terrain
from linkcalc.plan import LoadedPlan, load_plan
from linkcalc.site.fieldsheet import FieldSheet, field_sheet
from linkcalc.views.fieldsheet import field_sheet_html

SAMPLES = Path(__file__).parents[2] / "terrain_samples"

AT_HAND = """
[[antenna_choice]]
name = "long collinear"
type = "collinear"
gain_dbi = 8.0
[[antenna_choice]]
name = "short yagi"
type = "yagi"
gain_dbi = 7.0
[[feeder_choice]]
name = "thin and long"
type = "rg58"
length_m = 15.0
connectors = 2
[conditions]"""


@dataclass(frozen=True)
class Page:
    file: Path
    plan: Path
    loaded: LoadedPlan
    sheet: FieldSheet
    case: LinkCase


def sample_page(
    folder: Path, name: str, step_m: float | None, changed: Mapping[str, str] | None = None
) -> Page:
    """A sample's plan and its sheet, written into a folder; pieces of its text may be changed."""
    text = (SAMPLES / f"{name}.toml").read_text().replace('= ["', f'= ["{SAMPLES.as_posix()}/')
    for old, new in (changed or {}).items():
        assert old in text
        text = text.replace(old, new)
    if name == "wooded":
        text = text.replace("\n[conditions]", AT_HAND)
    plan = folder / f"{name}.toml"
    plan.write_text(text)
    loaded = load_plan(plan)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, loaded.plan.link[0], terrain)
    sheet = field_sheet(loaded, case, step_m=step_m)
    file = folder / f"{name}.html"
    file.write_text(field_sheet_html(sheet), encoding="utf-8")
    return Page(file, plan, loaded, sheet, case)
