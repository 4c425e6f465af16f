"""The pages in docs/models/ say what the tests and tables really hold."""

from tests.validation import pages


def test_every_page_says_what_is_checked_today(capsys):
    stale = pages.main(["--check"])
    assert not stale, capsys.readouterr().out + "run: python -m tests.validation pages"


def test_every_propagation_module_has_a_page():
    text = "".join(p.read_text() for p in pages.PAGES.glob("*.md"))
    rooms = (pages.ROOT / "linkcalc" / "propagation").glob("[a-z]*.py")
    assert not [p.stem for p in rooms if f"linkcalc.propagation.{p.stem}" not in text]
