"""The help, and what other pages link to in it."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from service.pages.frame import environment
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import House
from trayvision.kit.words import BY_HAND, CAUTIONS, MOUNTING

_SERVICE = Path(__file__).parents[2] / "service"
_LINK = re.compile(r"""(?:help_link|help_on)\(\s*["']([^"']+)["']|/help\#([a-z0-9-]+)""")
# Design rule of the project: what must never be said.
_NEVER = ("safe to feed", "is safe", "must be thrown away:", "throw it away", "discard")


def test_help_is_accessible_and_its_topics_lead_to_their_headings(
    browser: Browser, shown_house: House
) -> None:
    for size in (PHONE, DESK):
        page = open_page(browser, shown_house, size, scripts=True)
        page.goto("/help")
        # On a phone `test_every_page` asks the same.
        if size == DESK:
            assert_accessible(page)
        for link in page.get_by_role("navigation", name="Topics").get_by_role("link").all():
            topic = link.get_attribute("href") or ""
            expect(page.locator(f"h2{topic}")).to_have_count(1)
        page.get_by_role("link", name="Mould or root hairs?").click()
        expect(page.get_by_role("heading", name="Mould or root hairs?")).to_be_in_viewport()
        page.context.close()


def test_help_says_what_the_kits_guide_says_and_draws_it(shown_house: House) -> None:
    text = shown_house.client.get("/help").text.replace("&#39;", "'")
    for words in (BY_HAND, *CAUTIONS, *(words for _, words in MOUNTING)):
        assert words in text
    drawings = re.findall(r'src="(/static/[^"]+\.svg[^"]*)" alt="([^"]+)"', text)
    assert len(drawings) == 3
    for address, seen in drawings:
        answer = shown_house.client.get(address)
        assert answer.headers["content-type"].startswith("image/svg+xml")
        assert len(seen) > 60


def test_every_topic_that_pages_link_to_is_a_heading_of_the_help(shown_house: House) -> None:
    topics = set(re.findall(r'<h[23] id="([^"]+)"', shown_house.client.get("/help").text))
    files = [*_SERVICE.rglob("*.html"), *(_SERVICE / "pages").glob("*.py")]
    linked = {
        (file.name, one or other)
        for file in files
        for one, other in _LINK.findall(file.read_text(encoding="utf-8"))
    }
    assert {(file, topic) for file, topic in linked if topic not in topics} == set()


@pytest.mark.parametrize("caution", ["mould", "spores", "bleach", "electrics", "feeding"])
def test_cautions_send_on_and_never_clear_or_order(caution: str) -> None:
    template = environment().from_string(
        f'{{% import "cautions.html" as cautions %}}{{{{ cautions.{caution}() }}}}'
    )
    words = template.render().lower()
    assert not [never for never in _NEVER if never in words]
    assert re.search(r"vet|doctor|label|electrician", words)


def test_help_never_clears_feed_nor_orders_a_tray_thrown_away(shown_house: House) -> None:
    words = shown_house.client.get("/help").text.lower()
    # The kit's guide says "it never says that feed is safe".
    words = words.replace("never says that feed is safe", "")
    assert not [never for never in ("safe to feed", "is safe", "discard") if never in words]
    assert "cannot replace" in words
    assert "a vet" in words
