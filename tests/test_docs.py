"""The documentation's tools and pages. CI builds the site, warnings as errors; this needs no generator."""

import re
from importlib import import_module
from pathlib import Path

import generated
import links
import narrow_tables
import page_text
import pytest
import reference_pages
import source_pages

import linkcalc
from linkcalc.cli import COMMANDS
from linkcalc.plan import Plan
from linkcalc.rules.table import rules
from tests import rooms

DOCS = Path(__file__).parents[1] / "docs"


def text_of(pages: dict[str, str]) -> str:
    """All pages of a subject, one after the other."""
    return "\n".join(pages.values())


# ---------------------------------------------------------------- pages made from the code


def test_every_key_of_the_schema_is_in_the_plan_reference() -> None:
    schema = Plan.model_json_schema()
    keys = {key for s in [schema, *schema["$defs"].values()] for key in s.get("properties", {})}
    page = text_of(reference_pages.plan_pages())
    assert len(keys) > 80
    assert not [k for k in keys if f"| `{k}` |" not in page]


def test_a_default_that_is_assumed_is_shown_with_its_source() -> None:
    row = next(
        x for x in text_of(reference_pages.plan_pages()).splitlines() if x.startswith("| `noise_figure_db`")
    )
    assert "`6.0`, assumed: common practice" in row
    row = next(
        x for x in text_of(reference_pages.plan_pages()).splitlines() if x.startswith("| `frequency_mhz`")
    )
    assert "must be given" in row


def test_every_rule_is_in_the_table_with_what_nobody_has_read() -> None:
    lines = text_of(reference_pages.rules_pages()).splitlines()
    for rule in rules():
        row = next(x for x in lines if x.startswith(f"| `{rule.id}` |"))
        assert row.count("unverified") >= len(rule.unverified)
        assert ("Contested" in row) == rule.contested


@pytest.mark.slow
def test_every_public_function_is_listed_under_one_phenomenon() -> None:
    groups = generated.grouped()
    listed = [name for names in groups.values() for name in names]
    assert len(set(listed)) == len(listed)
    assert groups.get("Everything else", []) == []
    physics = {
        n
        for n in generated.every_module()
        if n.startswith(("propagation.", "radio.", "rules.", "operation."))
    }
    assert physics <= set(listed)
    page = text_of(generated.functions_pages())
    for name in ("free_space_loss_db", "basic_transmission_loss_db", "time_on_air_s", "sweep_plan"):
        assert name in page


def test_every_public_name_is_on_the_page_of_the_face() -> None:
    page = text_of(generated.face_pages())
    for name in set(linkcalc.__all__) - {"__version__", "PlanLike", "propagation", "radio"}:
        assert f"linkcalc.{name}\n" in page or f"`lc.{name} <" in page, name


def test_every_module_named_under_a_phenomenon_exists() -> None:
    everything = set(generated.every_module())
    rooms = {n.rpartition(".")[0] for n in everything}
    assert not {n for names in generated.PHENOMENA.values() for n in names} - everything - rooms


def test_every_command_is_described_as_it_prints() -> None:
    pages = reference_pages.commands_pages()
    for name in COMMANDS:
        assert f"Usage: linkcalc {name}" in pages[f"commands/{name}.md"]
        assert f"(commands/{name}.md)" in pages["commands.md"]


def test_what_is_from_memory_is_collected_from_the_code() -> None:
    found = generated.doubts()
    modules = {name for name, _, _ in found}
    assert {"propagation.vegetation", "propagation.noise", "radio.css", "radio.antenna"} <= modules
    assert any(owner == "weissberger_loss_db" and "from memory" in words for _, owner, words in found)


def test_words_in_a_table_are_no_markup() -> None:
    assert page_text.plain("a|b *c* `d_e` f_g") == r"a\|b \*c\* `d_e` f\_g"


@pytest.mark.slow
def test_a_subject_lists_all_of_its_pages() -> None:
    for pages in (generated.face_pages(), generated.functions_pages(), reference_pages.pages()):
        for path in pages:
            subject, _, part = path.partition("/")
            assert not part or f"({path})" in pages[f"{subject}.md"], path


def test_what_is_described_leads_to_its_lines_in_the_projects_own_files(tmp_path: Path) -> None:
    source_pages.write_pages(tmp_path)
    for module, name in (
        ("linkcalc", "check"), ("linkcalc.answer", "Answer.to_json"), ("linkcalc.radio.css", "time_on_air_s"),
    ):  # fmt: skip
        place = source_pages.place(module, name)
        assert place is not None
        file, _, anchor = place.removeprefix("../../").partition("#")
        line = re.search(rf'<span id="{anchor}">(.*?)</span>', (tmp_path / file).read_text(encoding="utf-8"))
        assert line is not None
        assert line[1].strip().startswith((f"def {name.rpartition('.')[2]}", "@"))
    assert source_pages.place("linkcalc.radio.css", "no_such_thing") is None


def test_a_table_of_sentences_names_its_cells_for_a_phone_and_one_of_numbers_does_not() -> None:
    def table(last: str) -> str:
        rows = f"<tr><td>a</td><td>1</td><td>{last}</td></tr>"
        heads = "<thead><tr><th>key</th><th>takes</th><th>what it is</th></tr></thead>"
        return f'<table class="docutils align-default">{heads}<tbody>{rows}</tbody></table>'

    found = narrow_tables.with_heads(table("a sentence that no column of a phone can hold <b>at all</b>"))
    assert 'class="sentences docutils' in found
    assert '<td data-head="key">a</td><td data-head="takes">1</td><td data-head="what it is">' in found
    assert narrow_tables.with_heads(table("3")) == table("3")


# ---------------------------------------------------------------- pages written by hand


PAGES = sorted(p for p in DOCS.rglob("*.md") if "_generated" not in p.parts and "_build" not in p.parts)


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.stem)
def test_links_of_a_page_lead_to_a_page(page: Path) -> None:
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.S | re.M)
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        if "_generated/" not in target:
            assert (page.parent / target).resolve().is_file(), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.stem)
def test_a_page_names_only_what_there_is(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert set(re.findall(r"\blc\.(\w+)", text)) <= set(linkcalc.__all__)
    assert set(re.findall(r"^linkcalc (\w+)", text, re.M)) <= set(COMMANDS)
    for module in re.findall(r"_generated/api/([\w.]+)\.md", text):
        assert (DOCS.parent / "linkcalc" / f"{module.replace('.', '/')}.py").is_file()


HOUSE = DOCS.parent / "DEVELOPERS.md"
GUIDES = [HOUSE, *(DOCS.parent / name for name in ("README.md", "CONTRIBUTING.md")), *PAGES]
FOLDERS = ("linkcalc", "tests", "docs", "terrain_samples", ".")
FILES = [
    p.as_posix()
    for folder in FOLDERS
    for p in (DOCS.parent / folder).glob("*.*" if folder == "." else "**/*.*")
    if p.suffix in (".py", ".toml", ".css", ".js")
]
MODULES = rooms.modules()


def _is_there(name: str) -> bool:
    """Whether a dotted name, from any folder on, is a module's or stands in one."""
    parts = name.removeprefix("linkcalc.").split(".")
    for i in range(len(parts), 0, -1):
        head = f".{'.'.join(parts[:i])}"
        for module in (m for m in MODULES if f".{m}".endswith(head)):
            found: object = import_module(module)
            for part in parts[i:]:
                found = getattr(found, part, None)
            if found is not None:
                return True
    return False


@pytest.mark.parametrize("page", GUIDES, ids=lambda p: p.stem)
def test_files_and_names_of_the_code_that_a_page_names_are_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    words = [w.removesuffix("()") for w in re.findall(r"`([\w./]+)`", text) if "NAME" not in w]
    files = {w for w in words if re.fullmatch(r".+\.(py|toml|css|js)", w)}
    # elsewhere a dotted name may be a key of the plan
    form = r"[a-z_]+([./]\w+)+" if page == HOUSE else r"(linkcalc\.|[a-z_]+/)[\w./]+\.\w+"
    names = {w for w in words if re.fullmatch(form, w) and not w.endswith((".csv", ".md"))}
    names = {w.replace("/", ".") for w in names - files - {"np.where", "conditions.governing_model"}}
    assert not {w for w in files if not any(f"/{f}".endswith(f"/{w}") for f in FILES)}
    assert not {w for w in names if not _is_there(w)}


def test_the_map_of_the_house_shows_every_room_and_no_file_that_is_gone() -> None:
    block = HOUSE.read_text(encoding="utf-8").split("```")[1]
    shown = re.findall(r"^  (\w+)/ (.*?)(?=^  \w|^\w)", block, re.S | re.M)
    assert {room for room, _ in shown} == {p.parent.name for p in rooms.ROOT.glob("*/__init__.py")}
    for room, text in shown:
        below = {p.name for p in (rooms.ROOT / room).rglob("*.*")}
        named = re.findall(r"(?<![\w*/])(\w+\.(?:py|toml))", text)
        assert not set(named) - below, room


@pytest.mark.slow
def test_the_first_hour_runs_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (DOCS / "first_hour.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```", text, re.S | re.M)
    monkeypatch.chdir(tmp_path)
    exec("\n".join(blocks), {})
    assert len(blocks) == 7
    assert "At risk" in capsys.readouterr().out
    assert {p.name for p in tmp_path.iterdir()} == {"answer.json", "path.svg", "higher.toml"}


def test_the_pages_say_that_a_radio_link_stops_nothing_safely() -> None:
    for name in ("index.md", "field.md"):
        text = " ".join((DOCS / name).read_text(encoding="utf-8").split())
        assert "not a safety function and not an emergency stop" in text


# ---------------------------------------------------------------- links of the built site


def site(folder: Path, **pages: str) -> Path:
    for name, body in pages.items():
        (folder / f"{name}.html").write_text(f"<html><body>{body}</body></html>", encoding="utf-8")
    return folder


def test_a_sound_site_has_no_faults(tmp_path: Path) -> None:
    (tmp_path / "picture.png").write_bytes(b"")
    body = '<a href="b.html#x">b</a><a href="https://example.org">out</a><img src="picture.png?v=1">'
    assert links.faults(site(tmp_path, a=body, b='<h1 id="x">x</h1><a href="#x">x</a>')) == []


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ('<a href="gone.html">x</a>', "leads nowhere"),
        ('<a href="b.html#gone">x</a>', "no such place"),
        ('<a href="#gone">x</a>', "no such place"),
        ('<img src="gone.png">', "leads nowhere"),
        ('<script src="https://example.org/x.js"></script>', "loads https://example.org"),
        ('<script src="//example.org/x.js"></script>', "loads //example.org"),
        ('<link rel="stylesheet" href="https://example.org/x.css">', "loads https://example.org"),
        ('<link rel="preconnect" href="https://example.org">', "loads https://example.org"),
    ],
)
def test_a_link_to_nowhere_or_a_fetch_from_elsewhere_is_found(tmp_path: Path, body: str, says: str) -> None:
    found = links.faults(site(tmp_path, a=body, b="<p>b</p>"))
    assert len(found) == 1
    assert says in found[0]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("<p>| a | b |\n| --- | --: |\n| 1 | 2 |</p>", "shows a table as raw pipes"),
        (
            '<dl><dt class="field-odd">Type<span class="colon">:</span></dt><dd>site: fixed but unknown</dd></dl>',
            "takes words of a sentence for a type",
        ),
    ],
)
def test_text_that_went_wrong_is_found_and_code_may_say_it(tmp_path: Path, body: str, says: str) -> None:
    assert links.faults(site(tmp_path, a=body)) == [f"a.html: {says}"]
    assert links.faults(site(tmp_path, a=f"<pre>{body}</pre>".replace("field-odd", "sig"))) == []


def test_a_style_sheet_that_fetches_is_found(tmp_path: Path) -> None:
    (tmp_path / "x.css").write_text("@font-face { src: url(https://example.org/f.woff2) }")
    assert "x.css" in links.faults(site(tmp_path, a=""))[0]


def test_no_pages_at_all_are_a_fault(tmp_path: Path) -> None:
    assert "no pages" in links.faults(tmp_path)[0]
