"""Pages that are written anew by every build, so that they cannot say what the code does not.

Here the public names, the index of functions and a page for each module; `gallery_pages` and `reference_pages` make
the others.
No page is longer than `phone` allows: a subject is parted into pages.
"""

import ast
import importlib
import inspect
import json
import os
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import gallery_pages
import reference_pages
from page_text import Part, parted, plain, summary, table

ROOT = Path(__file__).resolve().parents[2]

PHENOMENA: dict[str, tuple[str, ...]] = {
    "The whole job": (
        "plan.loading", "link.on_ground", "link.verdict", "answer",
        "link.result", "operation.sections", "sweeps", "link.findings", "link.advice", "link.remedies",
        "link.remedy_options", "link.improved_plan", "link.parts_list",
        "link.remedy_plans", "link.drawing", "site.record", "plan.sites", "plan.nodes",
        "files", "tabular",
    ),
    "Distance and clearance": ("propagation.free_space", "propagation.fresnel"),
    "Hills and obstacles": (
        "link.path_loss", "link.losses", "link.models", "propagation.loss_models",
        "propagation",
    ),
    "Ground reflection": ("propagation.two_ray", "propagation.ground"),
    "Trees, clutter, buildings": (
        "propagation.vegetation", "propagation.clutter", "propagation.building_entry", "link.surroundings",
    ),
    "Air": ("propagation.refractivity",),
    "Noise": ("propagation.noise", "radio.signal_level"),
    "Radios, antennas, feeders": ("radio", "link.modulation"),
    "Budget, uncertainty and verdict": ("link", "units"),
    "Terrain": ("terrain", "plan.ground_data"),
    "Messages and the tank": ("operation.messages", "operation.channel", "operation.tank"),
    "Law, people and energy": ("rules", "operation", "link.traffic", "link.legal", "radio.energy"),
    "Measuring on site": ("site",),
    "Areas": ("area",),
    "Relays": ("area.relay",),
    "Fleets": ("fleets",),
    "Pictures and text": (
        "views.notebook", "views.shown", "views.check.figures", "views.sweep.figures", "views.heights.figures",
        "views.own_axes", "views.maps.figures", "views.range.figures", "views.relay.figures",
        "views.fleet.figures", "views.survey.figures", "views.messages.figures", "views.tank.figures",
        "views.energy.figures", "views.style", "views.canvas", "views.check.text", "views.jsonout",
    ),
    "Errors": ("errors",),
}  # fmt: skip
"""Rooms and modules by what a reader looks for; a module stands where it is named most closely."""

_LEFT_OUT = ("cli", "commands", "plan", "views")
"""What is no part of what is called from Python, unless listed above; `commands` has the page of the face."""

FACE: dict[str, tuple[str, ...]] = {
    "What the commands answer": (
        "check", "compare", "how_far", "heights", "sweep", "sample", "survey", "acceptance", "record",
        "fieldsheet", "coverage", "relay",
        "fleet", "limits", "energy", "messages", "tank", "parts",
    ),
    "Plans": ("load_plan", "plan_from", "plan_of_facts", "load_fleet", "sample_path", "LoadedPlan", "Plan"),
    "Ground": (
        "cut_profile", "profile_from", "read_profile_csv", "profile_of_array", "clearance_of", "Profile",
    ),
    "Own models and own measurements": (
        "loss_model", "forget_loss_model", "Situation", "compare_measured", "readings_from", "readings_frame",
    ),
    "Answers": ("Answer",),
    "Pictures": (
        "show", "styled", "draw_profile", "draw_budget", "draw_height", "draw_sweep", "draw_coverage", "draw_heights",
    ),
    "What can go wrong": (
        "LinkcalcError", "PlanError", "TerrainError", "ReadingsError", "DomainError", "ArgumentError",
        "OutOfRangeWarning",
    ),
    "Steps of a check": ("check_plan", "with_sections", "sweep_plan"),
}  # fmt: skip
"""The public names, as a user types them; the answers' own classes are listed under them."""


def write_all(docs: Path) -> None:
    """Write every generated page below a documentation folder."""
    target = docs / "_generated"
    found = {
        **face_pages(),
        **gallery_pages.pages(target),
        **functions_pages(),
        **reference_pages.pages(),
        "from_memory.md": memory_page(),
        "demo.md": demo_part(target),
        **{f"api/{name}.md": module_page(name) for names in grouped().values() for name in names},
    }
    for name, text in found.items():
        _write(target / name, text)
    for old in target.rglob("*.md"):
        if old.relative_to(target).as_posix() not in found:
            old.unlink()
    copy_notebooks(docs / "notebooks")


def _write(path: Path, text: str) -> None:
    """Leave a page alone that would stay the same: only what changed is built again."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.is_file() or path.read_text(encoding="utf-8") != text:
        path.write_text(text, encoding="utf-8")


def copy_notebooks(target: Path) -> None:
    """Put the notebooks beside the pages; what they link to in `docs/` is one folder nearer there.

    Those with outputs may lie in another folder, named by LINKCALC_NOTEBOOKS.
    """
    sources = sorted(Path(os.environ.get("LINKCALC_NOTEBOOKS") or ROOT / "notebooks").glob("*.ipynb"))
    for source in sources:
        _write(target / source.name, source.read_text(encoding="utf-8").replace("](../docs/", "](../"))
    for old in target.glob("*.ipynb"):
        if old.name not in {s.name for s in sources}:
            old.unlink()


def executed(folder: Path) -> bool:
    """Whether every notebook of a folder has outputs."""
    found = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.ipynb"))]
    return all(any(cell.get("outputs") for cell in notebook["cells"]) for notebook in found)


def demo_part(target: Path) -> str:
    """The demo's answer and picture, for the first page."""
    import linkcalc as lc
    from linkcalc.views import style
    from linkcalc.views.check import figures

    link = lc.check_plan(lc.load_plan(lc.sample_path("upland"))).links[0]
    target.mkdir(parents=True, exist_ok=True)
    picture = target / "demo.svg"
    drawn = style.render(figures.profile_figure(link), "svg")
    if not picture.is_file() or picture.read_bytes() != drawn:
        picture.write_bytes(drawn)
    about = "The path in profile: the ray runs into a spur 3.2 km from the tank"
    return f"> {plain(link.headline)}\n\n![{about}](_generated/demo.svg)\n"


# ---------------------------------------------------------------- functions


def every_module() -> Iterator[str]:
    """All public modules of the package, without `linkcalc.` in front."""
    package = importlib.import_module("linkcalc")
    for found in pkgutil.walk_packages(package.__path__, "linkcalc."):
        name = found.name.removeprefix("linkcalc.")
        if not found.ispkg and not any(part.startswith("_") for part in name.split(".")):
            yield name


def grouped() -> dict[str, list[str]]:
    """Modules by phenomenon; those that define nothing public are left out."""
    subjects = {subject: title for title, named in PHENOMENA.items() for subject in named}
    groups: dict[str, list[str]] = {title: [] for title in PHENOMENA}
    found = [n for n in every_module() if n in subjects or n.split(".")[0] not in _LEFT_OUT]
    for name in sorted(found, key=lambda n: [*subjects, n].index(n)):
        named = [s for s in subjects if f"{name}.".startswith(f"{s}.")]
        if name in subjects or public_names(module(name)):
            title = subjects[max(named, key=len)] if named else "Everything else"
            groups.setdefault(title, []).append(name)
    return groups


def module(name: str) -> ModuleType:
    return importlib.import_module(f"linkcalc.{name}")


def public_names(of: ModuleType) -> list[str]:
    """Functions and classes that the module itself defines, in its order."""
    own = [
        (inspect.getsourcelines(inspect.unwrap(thing))[1], name)
        for name, thing in vars(of).items()
        if not name.startswith("_")
        and (inspect.isfunction(inspect.unwrap(thing)) or inspect.isclass(thing))
        and getattr(thing, "__module__", None) == of.__name__
    ]
    return [name for _, name in sorted(own)]


def face_pages() -> dict[str, str]:
    """Everything that `import linkcalc as lc` gives, under those names."""
    import linkcalc as lc

    head = [
        "# Public names", "",
        "What `import linkcalc as lc` gives. These names stay; a change of one is announced in the changelog a",
        "version before. The functions take a plan in any form: the path of a plan file, a dict of its tables, a",
        "`Plan`, or what `load_plan` and `plan_from` return. `lc.propagation` and `lc.radio` hold the physics:",
        "[functions by phenomenon](functions.md).", "",
    ]  # fmt: skip
    listed = {name for names in FACE.values() for name in names}
    answers = [n for n in lc.__all__ if n not in listed and inspect.isclass(getattr(lc, n))]
    parts = []
    for title, names in FACE.items():
        body = [line for name in names for line in _face_entry(name, getattr(lc, name))]
        if title == "Answers":
            rows = [
                (f"{{py:obj}}`lc.{n} <{getattr(lc, n).__module__}.{n}>`", plain(summary(getattr(lc, n))))
                for n in answers
            ]
            body += [*table(("class", "what it is"), rows), ""]
        about = ", ".join(f"`{name}`" for name in names)
        parts.append(Part(_file(title), title, about, body))
    return parted("face", head, parts)


def _face_entry(name: str, thing: Any) -> list[str]:
    is_error = inspect.isclass(thing) and issubclass(thing, Exception)
    kind = "function" if inspect.isfunction(thing) else "exception" if is_error else "class"
    if kind == "class" and name != "Answer":
        return [f"{{py:obj}}`lc.{name} <{thing.__module__}.{name}>`: {plain(summary(thing))}.", ""]
    more = "\n   :members:\n   :no-undoc-members:" if name == "Answer" else ""
    return ["```{eval-rst}", f".. auto{kind}:: linkcalc.{name}{more}", "```", ""]


def _file(title: str) -> str:
    return re.sub(r"\W+", "_", title.lower())


def functions_pages() -> dict[str, str]:
    """Every function under the phenomenon that it is about; a module's own page has all of it."""
    head = [
        "# Functions by phenomenon", "",
        "Everything that can be called from Python, by what it is about. Arrays broadcast, numbers in give",
        "numbers out, units are in the names. The physics and the public face state range, errors and source, each",
        "function's own or, for a whole module, at its head; inner functions say what names and types do not. Examples",
        "are run by the tests. Most callers need only the [public face](../python.md).", "",
    ]  # fmt: skip
    parts = []
    for title, names in grouped().items():
        body = []
        for name in names:
            of = module(name)
            body += [f"## [{name}](../api/{name}.md)", "", plain(summary(of)) + ".", ""]
            rows = [
                (f"{{py:obj}}`~linkcalc.{name}.{member}`", plain(summary(getattr(of, member))))
                for member in public_names(of)
            ]
            body += [*table(("name", "what it gives"), rows), ""] if rows else []
        about = ", ".join(f"`{name}`" for name in names)
        parts.append(Part(_file(title), title, about, body, [f"../api/{name}" for name in names]))
    return parted("functions", head, parts)


def module_page(name: str) -> str:
    return f"# linkcalc.{name}\n\n```{{eval-rst}}\n.. automodule:: linkcalc.{name}\n```\n"


_DOUBT = re.compile(r"from memory|unchecked|common practice", re.I)
_SECTIONS = re.compile(r"^\s*[A-Z][a-z]+\n\s*-+$", re.M)
_ITEM = re.compile(r"\n(?=\S[^\n]* : |\n)")


def doubts() -> list[tuple[str, str, str]]:
    """Where the package says that a value is from memory or common practice: module, name, words."""
    found = []
    for name in every_module():
        if not name.startswith(("cli", "views")):
            for owner, text in _docstrings(ast.parse(inspect.getsource(module(name)))):
                parts = _ITEM.split(_SECTIONS.sub("\n", inspect.cleandoc(text)))
                found += [(name, owner, " ".join(p.split())) for p in parts if _DOUBT.search(p)]
    return list(dict.fromkeys(found))


def _docstrings(body: ast.Module | ast.ClassDef, within: str = "") -> Iterator[tuple[str, str]]:
    """Names with their docstrings; a constant's is the string that follows it."""
    before = within
    for node in body.body:
        match node:
            case ast.Expr(value=ast.Constant(value=str(text))):
                yield before, text
            case ast.Assign(targets=[ast.Name(id=name), *_]) | ast.AnnAssign(target=ast.Name(id=name)):
                before = within + name
            case ast.FunctionDef():
                yield within + node.name, ast.get_docstring(node) or ""
            case ast.ClassDef():
                yield from _docstrings(node, f"{within}{node.name}.")


def memory_page() -> str:
    paged = {name for names in grouped().values() for name in names}
    rows = [
        (
            f"[{name}](api/{name}.md)" if name in paged else name,
            f"`{owner.rstrip('.')}`" if owner else "the whole module",
            plain(words),
        )
        for name, owner, words in doubts()
    ]
    return "\n".join(
        [
            "# From memory, and common practice",
            "",
            "Every place of the code that says of a value that it is from memory, was not compared with its",
            "source, or is a rule of the trade without a source. Defaults of the plan are in [the plan",
            "file](plan_file.md), each with its source; the legal limits have [their own](rules.md).",
            "",
            *table(("module", "of", "what it says"), rows),
            "",
        ]
    )
