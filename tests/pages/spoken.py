"""What a browser hands to a screen reader, and where the keyboard stands, as tests ask for them."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from playwright.sync_api import Page, expect

# More presses than any page of the furnished room has places that the Tab key stops at.
_MOST_TABS = 120
_FOCUS_IS_SEEN = """() => {
  const one = document.activeElement;
  if (!one || one === document.body) return true;
  // What was done and what broke is said by its frame; it takes the focus to be read aloud.
  if (one.matches(".notice, .broken")) return true;
  const style = getComputedStyle(one);
  const box = one.getBoundingClientRect();
  return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2
    && box.bottom > 0 && box.top < innerHeight;
}"""


@dataclass(frozen=True)
class Spoken:
    """One thing of the browser's accessibility tree.

    Parameters
    ----------
    role : str
        As the browser names it, such as "button" or "DisclosureTriangle".
    name, description, value : str
        Empty where it has none.
    focused : bool
    """

    role: str
    name: str
    description: str
    value: str
    focused: bool


def tree(page: Page) -> list[Spoken]:
    """All that is in the accessibility tree, in reading order."""
    session = page.context.new_cdp_session(page)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    session.detach()
    by_id = {node["nodeId"]: node for node in nodes}
    return [_spoken(node) for node in _in_order(nodes[0], by_id) if not node["ignored"]]


def _in_order(node: dict[str, Any], by_id: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for child in node.get("childIds", ()):
        if child in by_id:
            yield from _in_order(by_id[child], by_id)


def _spoken(node: dict[str, Any]) -> Spoken:
    def text(part: str) -> str:
        return str(node.get(part, {}).get("value", "")).strip()

    said = {one["name"]: one["value"].get("value") for one in node.get("properties", ())}
    focused = bool(said.get("focused")) and text("role") != "RootWebArea"
    return Spoken(text("role"), text("name"), text("description"), text("value"), focused)


def focused(page: Page) -> Spoken:
    """What has the focus. Fails where nothing has it."""
    found = [one for one in tree(page) if one.focused]
    assert found, f"{page.url}: nothing has the focus"
    return found[-1]


def _has_focus(page: Page, name: str) -> bool:
    """Whether the name of the element that has the focus begins so."""
    session = page.context.new_cdp_session(page)
    element = session.send("Runtime.evaluate", {"expression": "document.activeElement"})["result"]
    asked = {"objectId": element["objectId"], "fetchRelatives": False}
    nodes = session.send("Accessibility.getPartialAXTree", asked)["nodes"]
    session.detach()
    return any(_spoken(node).name.startswith(name) for node in nodes if not node["ignored"])


def tab_to(page: Page, name: str, *, back: bool = False) -> Spoken:
    """Press Tab until something whose name begins so has the focus; each stop must be seen."""
    for _ in range(_MOST_TABS):
        page.keyboard.press("Shift+Tab" if back else "Tab")
        assert page.evaluate(_FOCUS_IS_SEEN), f"{page.url}: the focus is not seen: {focused(page)}"
        # The whole tree takes long to ask for.
        if _has_focus(page, name):
            here = [one for one in tree(page) if one.focused]
            if here and here[-1].name.startswith(name):
                return here[-1]
    raise AssertionError(f"{page.url}: the Tab key never came to {name!r}")


def heading(page: Page, words: str) -> None:
    """Wait until the page's first line holds words."""
    expect(page.get_by_role("heading", level=1)).to_contain_text(words)
