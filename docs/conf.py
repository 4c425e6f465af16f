"""How the documentation is built: `python docs/build.py`."""

import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE / "tools"))
sys.path.insert(0, str(HERE.parent))

from generated import executed, write_all  # noqa: E402
from narrow_tables import with_heads  # noqa: E402
from source_pages import keep_shown_signatures, place, write_pages  # noqa: E402
from sphinx.ext.napoleon.docstring import NumpyDocstring  # noqa: E402

from linkcalc import __version__  # noqa: E402

# pages that are made from the code, the plan's schema, the rules table and the notebooks
write_all(HERE)
keep_shown_signatures()

project = "linkcalc"
author = "the linkcalc project"
project_copyright = "the linkcalc project, MIT licence"
release = version = __version__

extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.linkcode"]
exclude_patterns = ["_build", "_generated/demo.md"]

html_theme = "furo"
html_title = "linkcalc"
html_static_path = ["static"]
html_css_files = ["linkcalc.css"]
html_show_sphinx = False
html_copy_source = False
html_show_sourcelink = False
# endless lists on one page; the search, and the functions by phenomenon, find the same
html_use_index = html_domain_indices = False
# the palette of the pictures, linkcalc/views/style.py
html_theme_options = {
    "light_css_variables": {
        "font-stack": "Georgia, 'DejaVu Serif', serif",
        "font-stack--headings": "'Helvetica Neue', 'DejaVu Sans', sans-serif",
        "font-stack--monospace": "'DejaVu Sans Mono', monospace",
        "color-brand-primary": "#12466e",
        "color-brand-content": "#12466e",
        "color-brand-visited": "#12466e",
    },
    "dark_css_variables": {
        "font-stack": "Georgia, 'DejaVu Serif', serif",
        "color-brand-primary": "#93b7cd",
        "color-brand-content": "#93b7cd",
        "color-brand-visited": "#93b7cd",
    },
}

myst_enable_extensions = ["deflist", "colon_fence"]
myst_heading_anchors = 3
# notebooks that were executed in place are shown as they are; stripped ones are executed
nb_execution_mode = "off" if executed(HERE / "notebooks") else "force"
nb_execution_timeout = 180
nb_execution_raise_on_error = True
nb_merge_streams = True
# tables that a cell shows are tables, not pipes
nb_render_markdown_format = "gfm"

default_role = "py:obj"
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True
autodoc_default_options = {"members": True, "member-order": "bysource", "undoc-members": True}
autodoc_typehints = "none"
autodoc_preserve_defaults = True
python_maximum_signature_line_length = 88


# an attribute's docstring is a sentence; a colon in it does not end a type
NumpyDocstring._parse_attribute_docstring = lambda self: self._consume_to_end()  # type: ignore[method-assign]


def _escape_bars(app, what, name, thing, options, lines):  # type: ignore[no-untyped-def]
    """|z| is an absolute value, no substitution."""
    lines[:] = [x if ">>>" in x else re.sub(r"\|(\w+)\|", r"\\|\1\\|", x) for x in lines]


def _name_cells(app, page, template, context, doctree):  # type: ignore[no-untyped-def]
    """On a phone a table of sentences is a list: each cell carries the head of its column."""
    context["body"] = with_heads(context.get("body", ""))


def linkcode_resolve(domain, info):  # type: ignore[no-untyped-def]
    """What is described is linked to its lines in the project's own files."""
    return place(info["module"], info["fullname"]) if domain == "py" else None


def _write_sources(app, failed):  # type: ignore[no-untyped-def]
    write_pages(Path(app.outdir))


def setup(app):  # type: ignore[no-untyped-def]
    app.connect("autodoc-process-docstring", _escape_bars)
    app.connect("html-page-context", _name_cells)
    app.connect("build-finished", _write_sources)


# names exported twice (a package and its module) are the same thing
suppress_warnings = ["ref.python"]
