"""Pages that are written anew by every build, so that they cannot say what the code does not.

The index of functions and a page for each module, the plan file's keys, the table of legal limits, the
commands, the values from memory, and the notebooks.
"""

import ast
import atexit
import contextlib
import importlib
import inspect
import io
import json
import os
import pkgutil
import re
import runpy
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from textwrap import fill
from types import ModuleType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]

PHENOMENA: dict[str, tuple[str, ...]] = {
    "The whole job": (
        "plan.loading", "plan.in_python", "plan.values", "link.on_ground", "link.verdict", "answer",
        "link.result", "operation.sections", "sweeps.reach_by_ground", "sweeps.comparing",
        "sweeps.sampling", "sweeps.sweeping", "sweeps.table", "sweeps.parameters", "sweeps.mast_heights",
        "link.findings", "link.advice", "link.remedies", "link.remedy_options", "link.improved_plan",
        "link.parts_list",
        "site.record", "plan.sites", "plan.nodes", "sample_files", "files", "tabular",
    ),
    "Distance and clearance": ("propagation.free_space", "propagation.fresnel"),
    "Hills and obstacles": (
        "link.path_loss", "link.losses", "link.models", "link.chosen_model", "propagation.loss_models",
        "propagation.diffraction", "propagation.p1812", "propagation.irregular", "propagation.compiled",
    ),
    "Ground reflection": ("propagation.two_ray", "propagation.ground"),
    "Trees, clutter, buildings": (
        "propagation.vegetation", "propagation.clutter", "propagation.building_entry",
    ),
    "Air": ("propagation.refractivity",),
    "Noise": ("propagation.noise", "radio.signal_level"),
    "Radios, antennas, feeders": (
        "radio.css", "radio.fsk", "radio.receiver", "radio.antenna", "radio.antenna_types", "radio.feeder",
        "link.modulation",
    ),
    "Budget, uncertainty and verdict": (
        "link.case", "link.budget", "link.uncertainty", "link.reliability", "link.requirement",
        "link.judgement", "units",
    ),
    "Terrain": (
        "terrain.profile", "terrain.cutting", "terrain.surveyed", "terrain.station_ground", "terrain.arrays",
        "terrain.raster", "terrain.rasters", "terrain.geodesy", "terrain.cell_size",
        "terrain.agreement", "terrain.land_cover", "terrain.sources", "terrain.open_sets",
        "terrain.local_copy", "plan.ground_data",
    ),
    "Messages and the tank": (
        "operation.messages", "operation.channel", "operation.tank.loop", "operation.tank.shapes",
        "operation.tank.cycle", "operation.tank.risk", "operation.tank.simulate", "operation.tank.solve",
        "operation.tank.answer",
    ),
    "Law, people and energy": (
        "rules.limits", "rules.transmission", "rules.found", "rules.findings", "rules.intervals",
        "rules.table", "operation.limits", "link.traffic", "rules.starts", "link.legal",
        "operation.exposure", "radio.energy", "operation.energy", "operation.solar_winter",
    ),
    "Measuring on site": (
        "site.readings", "site.reading", "site.reading_cells", "frames", "site.listening", "site.fitted",
        "site.survey", "site.level", "site.heard", "site.fades", "site.distribution",
        "site.measured", "site.measured_table", "site.fieldsheet",
        "site.compass", "site.walk_test", "site.loss_rate", "site.stopping", "site.acceptance",
    ),
    "Areas": (
        "area.coverage", "area.gridded", "area.geofiles", "area.scheduler", "area.distributed",
        "area.program", "area.land", "area.losses", "area.margins", "area.kernels", "area.height_pairs",
        "area.access", "area.geojson", "area.relief",
    ),
    "Relays": (
        "area.relay.siting", "area.relay.search", "area.relay.chain", "area.relay.plan",
        "area.relay.result", "area.relay.files",
    ),
    "Fleets": (
        "fleets.answer", "fleets.network", "fleets.reach", "fleets.capture", "fleets.aloha",
        "fleets.levels", "fleets.air", "fleets.contention", "fleets.simulate", "fleets.judge",
        "fleets.assign", "fleets.limits", "fleets.mends",
    ),
    "Pictures and text": (
        "views.notebook", "views.shown", "views.figures", "views.sweep_figures", "views.heights_figures",
        "views.map_figures", "views.range_figures", "views.relay_figures", "views.fleet_figures",
        "views.survey_figures", "views.messages_figures", "views.tank_figures", "views.energy_figures",
        "views.style", "views.text", "views.jsonout",
    ),
    "Errors": ("errors",),
}  # fmt: skip
"""Modules by what a reader looks for; what is missing here is listed last, under "Everything else"."""

_LEFT_OUT = ("cli", "commands", "plan", "views", "wording")
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
    pages = {
        "face.md": face_page(),
        "gallery.md": gallery_page(target / "gallery"),
        "functions.md": functions_page(),
        "plan_file.md": plan_page(),
        "fleet_file.md": fleet_page(),
        "rules.md": rules_page(),
        "commands.md": commands_page(),
        "from_memory.md": memory_page(),
        "demo.md": demo_part(target),
        **{f"api/{name}.md": module_page(name) for names in grouped().values() for name in names},
    }
    for name, text in pages.items():
        _write(target / name, text)
    for old in target.rglob("*.md"):
        if old.relative_to(target).as_posix() not in pages:
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
    from linkcalc.views import figures, style

    link = lc.check_plan(lc.load_plan(lc.sample_path("upland"))).links[0]
    target.mkdir(parents=True, exist_ok=True)
    picture = target / "demo.svg"
    drawn = style.render(figures.profile_figure(link), "svg")
    if not picture.is_file() or picture.read_bytes() != drawn:
        picture.write_bytes(drawn)
    about = "The path in profile: the ray runs into a spur 3.2 km from the tank"
    return f"> {_text(link.headline)}\n\n![{about}](_generated/demo.svg)\n"


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
    everything = list(every_module())
    listed = {name for names in PHENOMENA.values() for name in names}
    groups = {title: [n for n in names if n in everything] for title, names in PHENOMENA.items()}
    groups["Everything else"] = [
        n
        for n in everything
        if n not in listed and n.split(".")[0] not in _LEFT_OUT and public_names(module(n))
    ]
    return {title: names for title, names in groups.items() if names}


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


def summary(thing: Any) -> str:
    """First sentence or line of a docstring."""
    text = inspect.getdoc(thing) or ""
    first = " ".join(text.split("\n\n")[0].split())
    return first.split(". ")[0].rstrip(".")


def face_page() -> str:
    """Everything that `import linkcalc as lc` gives, under those names."""
    import linkcalc as lc

    lines = [
        "# Public names", "",
        "What `import linkcalc as lc` gives. These names stay; a change of one is announced in the changelog a",
        "version before. The functions take a plan in any form: the path of a plan file, a dict of its tables, a",
        "`Plan`, or what `load_plan` and `plan_from` return.", "",
    ]  # fmt: skip
    listed = {name for names in FACE.values() for name in names}
    answers = [n for n in lc.__all__ if n not in listed and inspect.isclass(getattr(lc, n))]
    for title, names in FACE.items():
        lines += [f"## {title}", ""]
        for name in names:
            thing = getattr(lc, name)
            kind = "function" if inspect.isfunction(thing) else "exception" if _is_error(thing) else "class"
            if kind == "class" and name != "Answer":
                lines += [f"{{py:obj}}`lc.{name} <{thing.__module__}.{name}>`: {_text(summary(thing))}.", ""]
                continue
            more = "\n   :members:\n   :no-undoc-members:" if name == "Answer" else ""
            lines += ["```{eval-rst}", f".. auto{kind}:: linkcalc.{name}{more}", "```", ""]
        if title == "Answers":
            rows = [
                (f"{{py:obj}}`lc.{n} <{getattr(lc, n).__module__}.{n}>`", _text(summary(getattr(lc, n))))
                for n in answers
            ]
            lines += [*_table(("class", "what it is"), rows), ""]
    lines += [
        "## Physics",
        "",
        "`lc.propagation` and `lc.radio`: [functions by phenomenon](functions.md).",
        "",
    ]
    return "\n".join(lines)


def _is_error(thing: Any) -> bool:
    return issubclass(thing, Exception)


def gallery_page(target: Path) -> str:
    """Every example of docs/gallery: what it asks, its lines, and what it prints and draws, run anew."""
    lines = [
        "# Gallery", "",
        "One question each, answered in some ten lines: download, run, change. They use public names only, pass",
        "strict typing, and the tests run them. All sites are the invented ones that come with linkcalc.", "",
    ]  # fmt: skip
    for script in sorted((ROOT / "docs" / "gallery").glob("*.py")):
        title, about, code = example_parts(script)
        said, pictures = example_run(script)
        lines += [f"## {title}", "", about, ""]
        for picture in pictures:
            name = f"{script.stem}{picture.suffix}"
            _write_bytes(target / name, picture.read_bytes())
            lines += [f"![What {script.name} draws](gallery/{name})", ""]
        lines += ["```python", code, "```", "", "```text", said.rstrip(), "```", ""]
        lines += [f"{{download}}`{script.name} <../gallery/{script.name}>`", ""]
    return "\n".join(lines)


def example_parts(script: Path) -> tuple[str, str, str]:
    """Title, question and lines of an example."""
    text = script.read_text(encoding="utf-8")
    title, _, about = (ast.get_docstring(ast.parse(text)) or "").partition("\n\n")
    return title, " ".join(about.split()), text.split('"""', 2)[2].strip()


def example_run(script: Path) -> tuple[str, list[Path]]:
    """What an example prints, and the pictures that it writes into a folder of its own."""
    folder = Path(tempfile.mkdtemp(prefix="gallery"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    said = io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(said):
        runpy.run_path(str(script), run_name="__main__")
    # sentences are wrapped, tables are not that wide
    lines = [
        fill(line, 96, subsequent_indent="  ") if len(line) > 110 else line
        for line in said.getvalue().splitlines()
    ]
    return "\n".join(lines), sorted(p for p in folder.iterdir() if p.suffix in (".svg", ".png"))


def _write_bytes(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.is_file() or path.read_bytes() != content:
        path.write_bytes(content)


def functions_page() -> str:
    lines = [
        "# Functions by phenomenon", "",
        "Everything that can be called from Python, by what it is about. Arrays broadcast, numbers in give",
        "numbers out, units are in the names. Each function's page states shapes, range, errors and source,",
        "with an example that the tests run. Most callers need only the [public face](../python.md).", "",
    ]  # fmt: skip
    for title, names in grouped().items():
        lines += [f"## {title}", ""]
        for name in names:
            of = module(name)
            lines += [f"### [{name}](api/{name}.md)", "", _text(summary(of)) + ".", ""]
            members = public_names(of)
            if members:
                rows = [
                    (f"{{py:obj}}`~linkcalc.{name}.{member}`", _text(summary(getattr(of, member))))
                    for member in members
                ]
                lines += [*_table(("name", "what it gives"), rows), ""]
    hidden = [f"api/{name}" for names in grouped().values() for name in names]
    return "\n".join([*lines, ":::{toctree}", ":hidden:", "", *hidden, ":::", ""])


def module_page(name: str) -> str:
    return f"# linkcalc.{name}\n\n```{{eval-rst}}\n.. automodule:: linkcalc.{name}\n```\n"


# ---------------------------------------------------------------- plan file


def plan_page() -> str:
    """Every key a plan file may have, from the sections that read it."""
    from linkcalc.plan import Plan

    intro = [
        "# The plan file", "",
        "A plan is a TOML file. `linkcalc new site.toml` writes one with the keys that matter, `--full` with",
        "all of them; `linkcalc schema` prints the JSON Schema, made from the same sections as this page, by",
        "which editors complete and mark keys. Units are in the names of the keys.",
        "A key whose default is *assumed* is listed in every report with its source; a key without a default",
        "must be given. A key that is not listed here is refused, and the nearest one is named.", "",
    ]  # fmt: skip
    return "\n".join([*intro, *_keys_of(Plan)])


def fleet_page() -> str:
    """Every key a fleet file may have."""
    from linkcalc.plan.fleet import Fleet

    intro = [
        "# The fleet file", "",
        "A fleet is a TOML file for [`linkcalc fleet`](../fleet.md); `linkcalc schema fleet` prints its",
        "JSON Schema. What it shares with [the plan file](plan_file.md) means the same.", "",
    ]  # fmt: skip
    return "\n".join([*intro, *_keys_of(Fleet)])


def _keys_of(file: Any) -> list[str]:
    from linkcalc.plan.keys import allowed, kind_of, places, sections_of

    lines: list[str] = []
    seen = set()
    for place in places(file):
        identity = (place.header, place.section)
        if identity in seen:
            continue
        seen.add(identity)
        about = place.section.__name__
        header = f"`{place.header}`" if place.header else "Top of the file"
        kinds = [p.section for p in places(file) if p.header == place.header]
        if len(kinds) > 1:
            kind = place.fields()["kind"]
            header += f", kind = {allowed(kind)}"
        lines += [f"## {header}", "", _text(summary(place.section)) + ".", ""]
        rows = []
        for key, field in place.fields().items():
            below = sections_of(field.annotation)
            takes = (
                ("tables" if kind_of(field.annotation) is list else "a table") if below else allowed(field)
            )
            rows.append((f"`{key}`", _text(takes), _default(field), _text(field.description or about)))
        lines += [*_table(("key", "takes", "default", "what it is"), rows), ""]
    return lines


def _default(field: Any) -> str:
    if field.is_required():
        return "must be given"
    value = field.get_default(call_default_factory=True)
    extra = field.json_schema_extra
    source = extra.get("source") if isinstance(extra, dict) else None
    if value is None or value == "" or isinstance(value, list | tuple):
        return "none" if not source else f"assumed ({_text(source)})"
    if hasattr(type(value), "model_fields"):
        return "its defaults"
    words = str(value).lower() if isinstance(value, bool) else str(value)
    return f"`{words}`" + (f", assumed: {_text(source)}" if source else "")


# ---------------------------------------------------------------- rules


def rules_page() -> str:
    """The table of legal limits, with what nobody has read in a text."""
    from linkcalc.rules.table import REGIONS, rules
    from linkcalc.views.limits_text import timing_words

    lines = [
        "# The table of legal limits", "",
        "**Check with your regulator; this is not legal advice.** *Read*: seen in the public text of",
        "the rule; *second hand*: in a public page about it; *unverified*: from memory. Where an",
        "answer rests on something unverified, or on a row that was checked more than 24 months ago,",
        "the answer says so. Each row names the edition it was held against, and the day. The command",
        "`linkcalc limits PLAN.toml` holds a plan against this table.", "",
        "A rule with a condition that the table cannot judge leaves the answer at \"unknown\"; a plan",
        "whose radios are known to meet it names the rule: `regulation.conditions_met = [\"eu-917\"]`.",
        "A signal across two adjacent bands that may be joined is held against both. `python -m",
        "tests.validation limits` asks this table some 800 questions with the answers that the rules",
        "themselves give.", "",
        "Power is in milliwatts, conducted, as ERP (over a dipole) or EIRP (over an isotropic radiator):",
        "EIRP = ERP + 2.15 dB.", "",
    ]  # fmt: skip
    words = {"A": "read", "B": "second hand", "C": "unverified"}
    for region, name in REGIONS.items():
        of_region = [r for r in rules() if r.region == region]
        if not of_region:
            continue
        lines += [f"## {name} (`{region}`)", ""]
        rows = []
        for r in of_region:
            sure = "; ".join(f"{q} {words[c]}" for q, c in r.confidence.items())
            flags = ("**Contested, never counted as satisfied.** " if r.contested else "") + (
                f"**Not judged: {_text(r.unread)}.** " if r.unread else ""
            )
            rows.append(
                (
                    f"`{r.id}`",
                    _text(r.title),
                    _power(r),
                    _text(timing_words(r)) or "-",
                    sure,
                    flags + _text(f"{r.source}. {r.note}"),
                )
            )
        lines += [
            *_table(("rule", "what", "power", "timing and channels", "how sure", "source and notes"), rows),
            "",
        ]
    return "\n".join(lines)


def _power(rule: Any) -> str:
    parts = [
        f"{getattr(rule, f'max_{kind}_mw'):g} mW {word}"
        for kind, word in (("conducted", "conducted"), ("erp", "ERP"), ("eirp", "EIRP"))
        if getattr(rule, f"max_{kind}_mw") is not None
    ]
    if rule.density_dbm is not None:
        parts.append(f"{rule.density_dbm:g} dBm in {rule.density_reference_khz:g} kHz")
    return ", ".join(parts) or "-"


# ---------------------------------------------------------------- commands


def commands_page() -> str:
    """The help of every command, as it is printed."""
    import typer
    from typer.testing import CliRunner

    from linkcalc.cli import app

    runner = CliRunner(env={"COLUMNS": "90", "TERMINAL_WIDTH": "90"})
    names = list(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    lines = [
        "# Commands", "", "`linkcalc COMMAND --help` prints the same.", "",
        "Exit codes: 0 closes, 3 at risk, 4 does not close, 2 the input cannot be used (one line says why).",
        "",
    ]  # fmt: skip
    for name in names:
        found = runner.invoke(app, [name, "--help"], prog_name="linkcalc")
        if found.exit_code != 0:
            raise RuntimeError(f"linkcalc {name} --help ends with {found.exit_code}: {found.output}")
        lines += [f"## {name}", "", "```text", found.output.strip(), "```", ""]
    return "\n".join(lines)


# ---------------------------------------------------------------- from memory


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
    paged = _paged()
    rows = [
        (
            f"[{name}](api/{name}.md)" if name in paged else name,
            f"`{owner.rstrip('.')}`" if owner else "the whole module",
            _text(words),
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
            *_table(("module", "of", "what it says"), rows),
            "",
        ]
    )


def _paged() -> set[str]:
    return {name for names in grouped().values() for name in names}


# ---------------------------------------------------------------- Markdown


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    return [
        "| " + " | ".join(heads) + " |",
        "| " + " | ".join("---" for _ in heads) + " |",
        *("| " + " | ".join(cell.replace("\n", " ") for cell in row) + " |" for row in rows),
    ]


def _text(words: str) -> str:
    """Plain words in a table cell: nothing in them is markup, but for code in backticks."""
    parts = re.split(r"(`+[^`]+`+)", " ".join(words.split()))
    plain = [p if p.startswith("`") else re.sub(r"([\\*_\[\]<>$#{}])", r"\\\1", p) for p in parts]
    return "".join(plain).replace("|", "\\|")
