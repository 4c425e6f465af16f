"""A page of the terminal, however narrow."""

import pytest

from linkcalc.views.page import Page


@pytest.mark.parametrize("width", [1, 2, 4])
def test_a_page_narrower_than_its_indent_ends(width: int) -> None:
    page = Page(width)
    page.wrap("量 tank", indent=2, hanging=4)
    assert "".join(page.text().split()) == "量tank"
