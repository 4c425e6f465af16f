"""The project's own files as pages of the site, and where on them a thing is defined."""

import importlib
import inspect
from functools import reduce
from html import escape
from pathlib import Path

import linkcalc

ROOT = Path(__file__).resolve().parents[2]

_HEAD = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{name}</title>
<style>body {{ margin: 1rem; }} pre {{ overflow-x: auto; font: 0.75rem/1.35 'DejaVu Sans Mono', monospace; }}
span:target {{ background: #d6e3ec; }}</style></head><body><a href="{up}index.html">linkcalc</a>: {name}<pre>"""


def keep_shown_signatures() -> None:
    """Show functions whose signature names the keywords of a typed dictionary as it does.

    The generator would look defaults up in the source, which has fewer.
    """
    for name in linkcalc.__all__:
        shown = getattr(linkcalc, name)
        if inspect.isfunction(shown):
            plain = inspect.unwrap(shown)
            if len(inspect.signature(shown).parameters) > len(inspect.signature(plain).parameters):
                del shown.__wrapped__  # type: ignore[attr-defined]
                shown.plain = plain  # type: ignore[attr-defined]


def place(module: str, fullname: str) -> str | None:
    """Address of a thing's definition, seen from a page two folders down; None where there is none to show."""
    try:
        thing = reduce(getattr, fullname.split("."), importlib.import_module(module))
        thing = thing.fget if isinstance(thing, property) else thing
        thing = inspect.unwrap(getattr(thing, "plain", thing))
        file, line = inspect.getsourcefile(thing), inspect.getsourcelines(thing)[1]
    except (AttributeError, TypeError, OSError):
        return None
    path = Path(file or "").resolve()
    return f"../../source/{path.relative_to(ROOT)}.html#L{line}" if path.is_relative_to(ROOT) else None


def write_pages(site: Path) -> None:
    """Write every file of the package as a page with an anchor on each line."""
    for path in sorted((ROOT / "linkcalc").rglob("*.py")):
        name = path.relative_to(ROOT)
        page = site / "source" / f"{name}.html"
        page.parent.mkdir(parents=True, exist_ok=True)
        lines = path.read_text(encoding="utf-8").splitlines()
        numbered = "\n".join(f'<span id="L{n}">{escape(line)}</span>' for n, line in enumerate(lines, 1))
        head = _HEAD.format(name=name.as_posix(), up="../" * len(name.parts))
        page.write_text(f"{head}{numbered}</pre></body></html>", encoding="utf-8")
