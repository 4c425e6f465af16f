"""The gallery: every example of docs/gallery with what it prints and draws, run anew by every build."""

import ast
import atexit
import contextlib
import io
import runpy
import shutil
import tempfile
from pathlib import Path
from textwrap import fill

from page_text import Part, parted

EXAMPLES = sorted((Path(__file__).resolve().parents[1] / "gallery").glob("*.py"))


def pages(target: Path) -> dict[str, str]:
    """An example a page, and the pictures beside them, below the folder of generated pages."""
    made = [_part(script, target / "gallery") for script in EXAMPLES]
    head = [
        "# Gallery", "",
        "One question each, answered in some ten lines: download, run, change. They use public names only, pass",
        "strict typing, and the tests run them. All sites are the invented ones that come with linkcalc.", "",
    ]  # fmt: skip
    cards = ["::::{container} gallery", ""]
    for part in made:
        picture = next((line for line in part.body if line.startswith("![")), "")
        shown = f"[{picture.replace('](', '](gallery/')}](gallery/{part.name}.md)" if picture else ""
        cards += [":::{container} card", shown, "", f"**[{part.title}](gallery/{part.name}.md)**", ""]
        cards += [part.about, ":::", ""]
    return parted("gallery", head, made, [*cards, "::::"])


def _part(script: Path, target: Path) -> Part:
    title, about, code = example_parts(script)
    said, pictures = example_run(script)
    body = [about, ""]
    for picture in pictures:
        name = f"{script.stem}{picture.suffix}"
        _write(target / name, picture.read_bytes())
        body += [f"![What {script.name} draws]({name})", ""]
    body += ["```python", code, "```", "", "```text", said.rstrip(), "```", ""]
    body += [f"{{download}}`{script.name} <../../gallery/{script.name}>`", ""]
    return Part(script.stem, title, about, body)


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


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.is_file() or path.read_bytes() != content:
        path.write_bytes(content)
