"""A browser, and rooms whose pages it opens."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.base import AXE_SCRIPT, AxeResults
from playwright.sync_api import Browser, Error, Page, Playwright, expect, sync_playwright

from service.log.database import Database
from tests.pages.house import House, furnish, served
from tests.quick_databases import quick_databases

PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 900}
# The first is the same browser without windows of its own: a new page costs it a quarter.
BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser")
# Where none of these is installed, the test command downloads one into the environment.
os.environ.setdefault("PLAYWRIGHT_BROWSERS_PATH", "0")
# Pages may take their time on a machine that is busy with others.
expect.set_options(timeout=30_000)
# WCAG 2.2, levels A and AA, as the checker names its rules.
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="session", autouse=True)
def _quick_databases() -> Iterator[None]:
    with quick_databases():
        yield


@contextmanager
def chromium(playwright: Playwright) -> Iterator[Browser]:
    """Debian's Chromium, else the environment's own. Raises FileNotFoundError."""
    program = next(filter(None, map(shutil.which, BROWSERS)), None)
    try:
        # As root, as in continuous integration, Chromium runs without its own sandbox only.
        started = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
    except Error as error:
        if program is not None:
            raise
        raise FileNotFoundError("No browser: make unit, or apt-get install chromium") from error
    yield started
    started.close()


# For these tests alone: its driver keeps an event loop in this thread, in which others run theirs.
@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """A real browser."""
    with sync_playwright() as playwright, chromium(playwright) as started:
        yield started


@pytest.fixture(scope="session")
def unfurnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a log of the newest schema without a row, to copy."""
    folder = tmp_path_factory.mktemp("unfurnished")
    database = Database(f"sqlite:///{folder / 'log.sqlite'}")
    database.migrate()
    database.close()
    return folder


@pytest.fixture(scope="session")
def furnished(tmp_path_factory: pytest.TempPathFactory, unfurnished: Path) -> Path:
    """Folder of a room with six trays of which two deserve a look, to copy."""
    folder = tmp_path_factory.mktemp("furnished") / "data"
    with served(folder, unfurnished) as house, house.looked_at_last():
        furnish(house)
    return folder


@pytest.fixture
def empty_house(tmp_path: Path, unfurnished: Path) -> Iterator[House]:
    """A room on its first day: nothing in it."""
    with served(tmp_path / "data", unfurnished) as house:
        yield house


@pytest.fixture
def house(tmp_path: Path, furnished: Path) -> Iterator[House]:
    """A room with six trays of which two deserve a look; for tests that change it."""
    with served(tmp_path / "house", furnished) as house:
        yield house


@pytest.fixture(scope="session")
def shown_house(tmp_path_factory: pytest.TempPathFactory, furnished: Path) -> Iterator[House]:
    """The same room, shared by tests that only look."""
    with served(tmp_path_factory.mktemp("shown") / "data", furnished) as house:
        yield house


def open_page(
    browser: Browser, house: House, size: dict[str, int], *, scripts: bool, worker: bool = False
) -> Page:
    """A browser that looks at a house; the worker is for tests of what it keeps and sends.

    It loads Snap and its scripts beside the first page: a third of what that page costs.
    """
    context = browser.new_context(
        base_url=house.address,
        viewport={"width": size["width"], "height": size["height"]},
        java_script_enabled=scripts,
        timezone_id="Europe/Vienna",
        locale="en-GB",
        service_workers="allow" if worker else "block",
    )
    return context.new_page()


@pytest.fixture
def phone(browser: Browser, house: House) -> Iterator[Page]:
    """A phone that looks at `house`."""
    page = open_page(browser, house, PHONE, scripts=True)
    yield page
    page.context.close()


@pytest.fixture
def plain_phone(browser: Browser, house: House) -> Iterator[Page]:
    """A phone without scripts that looks at `house`."""
    page = open_page(browser, house, PHONE, scripts=False)
    yield page
    page.context.close()


@pytest.fixture
def desk(browser: Browser, house: House) -> Iterator[Page]:
    """A desk's browser that looks at `house`."""
    page = open_page(browser, house, DESK, scripts=True)
    yield page
    page.context.close()


def assert_accessible(page: Page) -> None:
    """No violation that the automatic checker finds, and nothing wider than the screen."""
    assert_without_violation(page, {"type": "tag", "values": WCAG})
    too_wide = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert too_wide <= 0, f"{page.url} is {too_wide} px wider than the screen"


def assert_without_violation(page: Page, rules: dict[str, Any]) -> None:
    """Nothing breaks some of the automatic checker's rules, named in its own way."""
    if page.evaluate("!window.axe"):
        page.evaluate(AXE_SCRIPT)
    # It would also tell, of each rule, all that keeps to it, which takes most of the time.
    options = {"runOnly": rules, "resultTypes": ["violations"]}
    violations = page.evaluate("options => axe.run(options).then(all => all.violations)", options)
    assert not violations, AxeResults({"violations": violations}).generate_report()
