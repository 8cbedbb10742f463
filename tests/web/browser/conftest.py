"""A workshop served to a real browser: Chromium, its owner signed in, and a scanner that types.

Left out where pytest-playwright or Chromium is missing; a setting makes them a must.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from datetime import datetime
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import pytest

from spoolkeep.store.engine import Store
from tests.web.browser.served import TO_LOOPBACK, Served, serving, sign_in
from tests.workshop import TestWorkshop

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page

REQUIRED = "SPOOLKEEP_REQUIRE_BROWSER"
FLAGS = [TO_LOOPBACK, "--no-sandbox", "--disable-dev-shm-usage", "--disable-background-networking", "--no-first-run"]

if any(find_spec(name) is None for name in ("pytest_playwright", "axe_playwright_python")):
    if os.environ.get(REQUIRED):
        words = f"{REQUIRED} is set, and pytest-playwright is not here: pip install -e '.[test,browser]'"
        raise pytest.UsageError(words)
    collect_ignore_glob = ["test_*.py"]


@pytest.fixture(scope="session")
def base_url() -> None:
    """Give no address common to all: each test serves its own workshop. The plugin's own fixture warns on pytest 9."""


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, Any]:
    """Give how Chromium is started: the system's own, since nothing is fetched."""
    path = os.environ.get("SPOOLKEEP_CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
    if not os.path.exists(path):  # noqa: PTH110 - a plain answer is all that is asked
        if os.environ.get(REQUIRED):
            pytest.fail(f"{REQUIRED} is set, and there is no Chromium at {path}.")
        pytest.skip("Chromium is not here: apt-get install chromium, or name it in SPOOLKEEP_CHROMIUM")
    return {"executable_path": path, "args": FLAGS}


@pytest.fixture(scope="session")
def browser(launch_browser: "Callable[[], Browser]") -> "Iterator[Browser]":
    """Give the real browser: in the folder above, a fixture of this name gives a client without one."""
    given = launch_browser()
    yield given
    given.close()


@pytest.fixture
def shop(sqlite_store: Store, now: datetime) -> TestWorkshop:
    """Give a small workshop with one machine of two feeds, and no spool yet."""
    return TestWorkshop(sqlite_store, now)


@pytest.fixture
def served(shop: TestWorkshop) -> Iterator[Served]:
    """Give the workshop as it is served. A test that asks for this and not for `address` is a stranger at the door."""
    with serving(shop) as given:
        yield given


@pytest.fixture
def address(served: Served, shop: TestWorkshop, context: "BrowserContext") -> str:
    """Give the address at which the workshop's pages are served; in the test's browser its owner is signed in."""
    sign_in(context, shop, served.address)
    return served.address


@pytest.fixture
def complaints(page: "Page", served: Served) -> list[str]:
    """Give what the browser complains of, filled while the page is used: errors, warnings, requests to elsewhere."""
    heard: list[str] = []

    def note(message: "ConsoleMessage") -> None:
        if message.type in {"error", "warning"}:
            heard.append(f"{page.url}: {message.text}")

    page.on("console", note)
    page.on("pageerror", lambda error: heard.append(f"{page.url}: {error}"))
    page.on(
        "request",
        lambda asked: heard.append(f"left the host: {asked.url}") if _leaves(asked.url, served.address) else None,
    )
    return heard


def _leaves(url: str, address: str) -> bool:
    if url.startswith(("chrome:", "chrome-extension:")):
        return False  # the browser's own viewer of PDFs, in which the labels of a delivery are open
    return not url.startswith((address + "/", "data:"))


@pytest.fixture
def scan(page: "Page") -> Callable[[str], None]:
    """Give a wedge scanner: it types a code at whatever has the focus, fast, and ends with Enter."""

    def type_and_enter(code: str) -> None:
        page.keyboard.type(code, delay=8)
        page.keyboard.press("Enter")

    return type_and_enter
