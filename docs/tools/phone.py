"""Every built page as a phone shows it: python docs/tools/phone.py SITE

Fails on a page that is longer than anybody scrolls, or wider than the screen. Needs Debian's chromium and
chromium-driver.
"""

import sys
import tempfile
from pathlib import Path

WIDTH_PX, HEIGHT_PX = 390, 844
LONGEST_PX = 20_000
"""Some 24 screens."""

_SIZE = "return [document.documentElement.scrollHeight, document.documentElement.scrollWidth]"


def sizes(site: Path) -> dict[str, tuple[int, int]]:
    """Height and width of each page of a folder, in pixels, on a screen of WIDTH_PX."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    from tests.fieldsheet.browser import chromium

    found = {}
    with tempfile.TemporaryDirectory() as folder, chromium(Path(folder)) as browser:
        browser.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": WIDTH_PX, "height": HEIGHT_PX, "deviceScaleFactor": 1, "mobile": True},
        )
        for page in sorted(site.resolve().rglob("*.html")):
            browser.driver.get(page.as_uri())
            found[page.relative_to(site.resolve()).as_posix()] = tuple(browser.script(_SIZE))
    return found


def faults(found: dict[str, tuple[int, int]]) -> list[str]:
    """One line for each page that does not fit."""
    long = [f"{page}: {h} px long, {LONGEST_PX} allowed" for page, (h, _) in found.items() if h > LONGEST_PX]
    wide = [f"{page}: {w} px wide on {WIDTH_PX}" for page, (_, w) in found.items() if w > WIDTH_PX]
    return [*long, *wide] if found else ["no pages"]


def main() -> int:
    found = sizes(Path(sys.argv[1]))
    wrong = faults(found)
    longest = sorted(found.items(), key=lambda item: -item[1][0])[:5]
    print("\n".join(wrong or [f"{len(found)} pages fit a phone; the longest:"]))
    print("\n".join(f"  {height} px  {page}" for page, (height, _) in longest))
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
