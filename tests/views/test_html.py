"""Pages from templates: what is put into one stays text, and is set alike on all of them."""

import subprocess
import sys

import pytest
from jinja2 import UndefinedError

import linkcalc as lc
from linkcalc.views import units
from linkcalc.views.html import page
from tests.test_sweep import site
from tests.views.test_notebook import read

NAME = "<script>alert('1')</script> & \u202eknat"


def test_a_template_is_filled_in_with_text_not_markup() -> None:
    made = page("card/picture.html", picture={"words": f'" onerror="x" {NAME}', "source": "data:,"})
    assert made.count("<") == made.count(">") == 1
    assert made.count('"') == 6  # three attributes, as the template has them


def test_what_a_template_names_and_nobody_gives_is_an_error() -> None:
    with pytest.raises(UndefinedError, match="'picture' is undefined"):
        page("card/picture.html")


def test_a_card_holds_a_dangerous_name_as_text() -> None:
    result = lc.check_plan(site(title=NAME))
    card = lc.show(result, pictures=False).html
    assert "\u202e" not in card
    assert "<script>alert('1')</script> & knat" in " ".join(read(card).shown)
    text = f"{NAME}\n  line by line"
    assert text in " ".join(read(page("card/text.html", text=text, picture=None)).shown)


def test_a_card_is_in_the_units_of_its_picture() -> None:
    result = lc.check_plan(site())
    with units.shown_in("us"):
        text = " ".join(read(lc.show(result, pictures=False).html).shown)
    km = result.links[0].path.distance_m / 1000.0
    assert f"{km / 1.609344:.2f} mi" in text  # the international mile, exact
    assert " km" not in text


def test_the_units_in_force_are_those_of_the_moment() -> None:
    filled = {"words": "12 m", "source": "data:,"}
    assert "12\u00a0m" in page("card/picture.html", picture=filled)
    with units.shown_in("us"):
        assert "39.4\u00a0ft" in page("card/picture.html", picture=filled)


def test_a_check_needs_no_templates() -> None:
    code = (
        "import sys; from typer.testing import CliRunner; from linkcalc.cli import app;"
        f"CliRunner().invoke(app, ['check', {str(lc.sample_path('plain'))!r}]);"
        "sys.exit('jinja2' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
