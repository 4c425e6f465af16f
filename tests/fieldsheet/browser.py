"""A real browser for the field sheet: Debian's Chromium without a screen, seen through its driver."""

import base64
import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import pytest

T = TypeVar("T")

WHY_NOT = "needs Debian's chromium and chromium-driver; .ci/debian installs them"
SIZES = {"phone": (360, 740), "zoomed": (180, 370), "tablet": (820, 1180), "desk": (1280, 800)}


LONGEST_S = 120.0
"""Until a test gives up waiting; a busy machine may be slow."""

WAITING = "return document.getElementById('measured-bar').classList.contains('waiting')"
"""Whether the measured answer is still to come."""


def until(found: Callable[[], T]) -> T:
    """Wait until something is there, and return it."""
    end = time.monotonic() + LONGEST_S
    while not (value := found()):
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)
    return value


def wanted() -> bool:
    """Whether a missing browser is a failure, as in continuous integration."""
    return os.environ.get("LINKCALC_BROWSER") == "required"


@contextmanager
def chromium(folder: Path) -> Iterator["Browser"]:
    """Start Chromium, its profile and downloads in a folder; skip the test where there is none."""
    program, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if program is None or driver is None:
        if wanted():
            pytest.fail(WHY_NOT)
        pytest.skip(WHY_NOT)
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in (
        "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-component-update",
        "disable-background-networking", "disable-sync", "disable-dev-shm-usage",
        f"user-data-dir={folder / 'profile'}",
    ):  # fmt: skip
        options.add_argument(f"--{flag}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    with webdriver.Chrome(options=options, service=webdriver.ChromeService(driver)) as started:
        started.execute_cdp_cmd(
            "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(folder)}
        )
        yield Browser(started)


class Browser:
    """What the tests ask of Chromium."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, page: Path, size: str = "desk") -> None:
        """Open a page from the file store, with nothing kept from before."""
        self.resize(size)
        self.driver.get_log("performance")
        self.driver.get(page.as_uri())
        self.script("localStorage.clear()")
        self.reload()

    def reload(self) -> None:
        self.driver.refresh()

    def resize(self, size: str) -> None:
        width, height = SIZES[size]
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": size in ("phone", "zoomed")},
        )

    def key(self, name: str) -> None:
        """Press a key of the keyboard."""
        from selenium.webdriver import ActionChains, Keys

        ActionChains(self.driver).send_keys(getattr(Keys, name.upper())).perform()

    def script(self, text: str, *arguments: Any) -> Any:
        return self.driver.execute_script(text, *arguments)

    def element(self, selector: str) -> Any:
        return self.driver.find_element("css selector", selector)

    def click(self, selector: str) -> None:
        """Click, in the middle of the screen: above may lie what stays on top."""
        found = self.element(selector)
        self.driver.execute_script("arguments[0].scrollIntoView({ block: 'center' })", found)
        found.click()

    def elements(self, selector: str) -> list[Any]:
        return list(self.driver.find_elements("css selector", selector))

    def text(self, identifier: str) -> str:
        return str(self.script("return document.getElementById(arguments[0]).textContent", identifier))

    def complaints(self) -> list[str]:
        """What the page's script or its rules gave rise to."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Addresses that were asked for since the page was opened, the icon in the page itself left out."""
        events = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
        return [url for url in asked if not url.startswith("data:")]

    def pdf(self, width_in: float, height_in: float) -> bytes:
        printed = self.driver.execute_cdp_cmd(
            "Page.printToPDF", {"paperWidth": width_in, "paperHeight": height_in, "printBackground": True}
        )
        return base64.b64decode(printed["data"])

    def picture(self, file: Path) -> None:
        """The whole page, as long as it is."""
        width = self.script("return innerWidth")
        height = self.script("scrollTo(0, 0); return document.documentElement.scrollHeight")
        clip = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
        shot = self.driver.execute_cdp_cmd(
            "Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip}
        )
        file.write_bytes(base64.b64decode(shot["data"]))
