"""Charts: the same bytes for the same description, readable, and nothing outside the sheet."""

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from itertools import pairwise

import pytest

from service.chart_drawing import draw, height_of
from service.charts import SHEETS, Chart, Dot, Line, Size, Stroke, Target

DAYS = (0.0, 2.0, 4.0, 6.0, 8.0)
RISING = (0.0, 1.0, 4.0, 9.0, 14.0)
SVG = "{http://www.w3.org/2000/svg}"


def chart(*lines: Line) -> Chart:
    own = Line(DAYS, RISING, Stroke.PENCIL, "this tray", RISING, tuple(2 * v for v in RISING))
    return Chart(
        title="Height of the shoots, cm",
        below="days since spreading",
        ticks=tuple((day, f"{day:g}\n{day + 1:g} March") for day in DAYS),
        lines=(own, *lines),
        dots=(Dot(2.0, 1.2, 0.4),),
        target=Target(15.0, "target 15\xa0cm", 8.0, 7.0, 9.5),
        said="Ready on Friday about 14:00, give or take 9 hours.",
    )


def texts(svg: bytes) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(svg).iter(f"{SVG}text"))


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2 (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("size", Size)
def test_same_chart_gives_the_same_bytes(size: Size) -> None:
    first = draw(chart(), size)
    draw.cache_clear()
    draw(chart(Line(DAYS, RISING, Stroke.USUAL, "another")), size)
    draw.cache_clear()
    assert draw(chart(), size) == first
    assert b"dc:date" not in first


def at_night(svg: bytes) -> bytes:
    """What the chart's own sheet makes of it on a dark screen: its tones, one by one."""
    night = rb'\[style\*="fill: (#\w{6})"\]\{fill:(#\w{6}) !important\}'
    for day, dark in re.findall(night, svg):
        svg = svg.replace(b"fill: " + day, b"fill: " + dark)
    return svg


@pytest.mark.parametrize("seen", [bytes, at_night])
def test_text_is_large_and_stands_out_from_the_paper(seen: Callable[[bytes], bytes]) -> None:
    svg = seen(draw(chart(), Size.PHONE))
    for text in texts(svg):
        style = text.attrib["style"]
        size = re.search(r"(?:font|font-size): ?(?:\w+ )*(\d+)px", style)
        assert size is not None, style
        assert int(size.group(1)) >= 16
        assert "system-ui" in style
        assert "DejaVu" not in style
    paper = luminance(re.findall(rb"fill: (#[0-9a-f]{6})", svg)[0].decode())
    inks = {
        luminance(found.group(1))
        for text in texts(svg)
        if (found := re.search(r"fill: (#[0-9a-f]{6})", text.attrib["style"]))
    }
    assert inks
    for ink in inks:
        light, dark = max(paper, ink), min(paper, ink)
        # WCAG 2.2, success criterion 1.4.6.
        assert (light + 0.05) / (dark + 0.05) >= 7.0


def test_every_tone_of_the_day_has_one_of_the_night() -> None:
    lines = [Line(DAYS, RISING, stroke, str(stroke), RISING, RISING) for stroke in Stroke]
    svg = draw(chart(*lines), Size.DESK)
    drawn, sheet = svg.split(b"<style>:root")
    for what in (b"fill", b"stroke"):
        used = set(re.findall(what + rb": (#\w{6})", drawn))
        assert used, what
        for tone in used:
            assert b'[style*="%b: %b"]' % (what, tone) in sheet, tone


@pytest.mark.parametrize("size", Size)
def test_labels_stand_apart_inside_the_sheet(size: Size) -> None:
    close = [Line(DAYS, RISING, Stroke.USUAL, f"shelf {number}") for number in range(5)]
    svg = draw(chart(*close), size)
    heights = sorted(
        float(text.attrib["y"])
        for text in texts(svg)
        if (text.text or "").startswith("shelf ") or text.text == "this tray"
    )
    assert len(heights) == 6
    assert min(b - a for a, b in pairwise(heights)) >= 16
    assert heights[0] > 0
    assert heights[-1] < height_of(chart(*close), size)


@pytest.mark.parametrize("size", Size)
def test_size_is_told_before_it_is_drawn(size: Size) -> None:
    root = ElementTree.fromstring(draw(chart(), size))
    told = (0.0, 0.0, float(SHEETS[size].width), float(height_of(chart(), size)))
    assert tuple(map(float, root.attrib["viewBox"].split())) == told


def test_chart_of_nothing_is_drawn_too() -> None:
    empty = Chart("Height", "days", ((0.0, "0"), (9.0, "9")), ())
    assert b"<svg" in draw(empty, Size.PHONE)
