"""One browser for the tests of a file."""

from collections.abc import Iterator

import pytest

from tests.fieldsheet.browser import Browser, chromium


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with chromium(tmp_path_factory.mktemp("chromium")) as started:
        yield started
