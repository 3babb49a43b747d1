"""Single pieces of the kit put in their place, joined and packed."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.kit.printed_pages import DPI, TOLERANCE_MM, TRAY, drawn, read_tags
from trayvision.kit.packing import FOOT_MM, MARGIN_MM, pack
from trayvision.kit.pieces import (
    GLUE_TAB_MM,
    Piece,
    bar_pieces,
    head_piece,
    split_length,
    strip_pieces,
)
from trayvision.kit.sheets import PAPER_MM
from trayvision.reference_kit import BAR_WIDTH_MM, TraySize, tag_id


@pytest.mark.parametrize("size", [TRAY, TraySize(800, 120, 60), TraySize(300, 90, 45)], ids=str)
def test_bars_laid_on_the_rim_put_the_tags_where_the_kit_says(
    size: TraySize, tmp_path: Path
) -> None:
    for end, corners, edge_x in (
        ("A", (0, 1), -size.length_mm / 2 - BAR_WIDTH_MM),
        ("B", (3, 2), size.length_mm / 2),
    ):
        (piece,) = bar_pieces(17, end, size, 600.0)  # type: ignore[arg-type]
        tags = dict(read_tags(drawn(piece, tmp_path / "bar.pdf")))
        # Bar A's flap, if it has one, lies below it on the page.
        below = piece.height_mm - BAR_WIDTH_MM if end == "A" else 0.0
        for corner in corners:
            page = tags[tag_id(17, corner)] - 10
            placed = np.column_stack([edge_x + page[:, 1] - below, size.width_mm / 2 - page[:, 0]])
            assert np.abs(placed - size.tag_corners_mm(corner)[:, :2]).max() < TOLERANCE_MM


def test_the_head_on_its_slope_puts_the_tags_where_the_kit_says(tmp_path: Path) -> None:
    tags = dict(read_tags(drawn(head_piece(96), tmp_path / "head.pdf")))
    for corner in (4, 5):
        page = tags[tag_id(96, corner)] - 10
        slope = page[:, 1] / np.sqrt(2)
        placed = np.column_stack([TRAY.length_mm / 2 + slope, 50 - page[:, 0], 180 + slope])
        assert np.abs(placed - TRAY.tag_corners_mm(corner)).max() < TOLERANCE_MM


@pytest.mark.parametrize("limit", [190.0, 263.4])
def test_parts_of_a_bar_glued_at_their_joints_keep_the_distance(
    limit: float, tmp_path: Path
) -> None:
    total = 0.0
    for piece in bar_pieces(23, "A", TraySize(900, 560, 60), limit):
        assert piece.width_mm <= limit
        image = drawn(piece, tmp_path / "part.pdf")
        tags = dict(read_tags(image))
        start = tags[138][:, 0].mean() - 10 if 138 in tags else 0.0
        if 139 in tags:
            total += tags[139][:, 0].mean() - 10 - start
            continue
        # 2 mm inside the lower edge nothing is dark but the line of the joint.
        line = np.flatnonzero(image[image.shape[0] - round(12 / 25.4 * DPI)] < 90)
        assert 1 <= len(line) <= 4
        total += (line.mean() + 0.5) * 25.4 / DPI - 10 - start
    assert total == pytest.approx(560 - 40, abs=TOLERANCE_MM)


@pytest.mark.parametrize("limit", [281.0, 150.0])
@pytest.mark.parametrize("depth", [60.0, 87.0])
def test_strip_bands_count_from_the_floor(limit: float, depth: float, tmp_path: Path) -> None:
    floor = 0.0
    for piece in strip_pieces(5, TraySize(540, 280, depth), limit):
        assert piece.width_mm <= limit
        image = drawn(piece, tmp_path / "strip.pdf")
        row = image[image.shape[0] // 4]
        steps = np.flatnonzero(np.diff((row < 128).astype(int))) + 0.5
        edges = (steps + 0.5) * 25.4 / DPI - 10 + floor
        inner = edges[(edges > floor + 1) & (edges < floor + piece.width_mm - GLUE_TAB_MM - 1)]
        assert len(inner) >= 5
        assert inner == pytest.approx(10 * np.rint(inner / 10), abs=TOLERANCE_MM)
        # Black from the floor, [0, 10), then white: the band in the middle of each says so.
        for band in range(int(np.ceil(floor / 10)), int((depth + 170) // 10)):
            column = round((band * 10 + 5 - floor + 10) / 25.4 * DPI)
            if column < (piece.width_mm - GLUE_TAB_MM + 10) / 25.4 * DPI:
                assert (row[column] < 128) == (band % 2 == 0)
        floor += piece.width_mm - GLUE_TAB_MM


@given(length=st.floats(80, 2000), limit=st.floats(100, 281))
def test_parts_add_up_and_fit(length: float, limit: float) -> None:
    spans = split_length(length, limit)
    assert spans[0].start == 0 and spans[-1].end == pytest.approx(length)
    assert all(a.end == b.start for a, b in pairwise(spans))
    assert all(span.printed_mm <= limit + 1e-9 for span in spans)


@given(
    sides=st.lists(st.tuples(st.floats(20, 260), st.floats(20, 160)), min_size=1, max_size=12),
    paper=st.sampled_from(sorted(PAPER_MM)),
)
def test_packed_pieces_lie_apart_inside_the_margins(
    sides: list[tuple[float, float]], paper: str
) -> None:
    pieces = [Piece(k, w, h, lambda pen: None) for k, (w, h) in enumerate(sides)]  # noqa: ARG005
    pages = pack(pieces, PAPER_MM[paper])
    assert [p.piece.number for page in pages for p in page.placed] == list(range(len(sides)))
    for page in pages:
        for k, one in enumerate(page.placed):
            assert one.x >= MARGIN_MM - 1e-9 and one.y >= FOOT_MM - 1e-9
            assert one.x + one.width_mm <= page.page_mm[0] - MARGIN_MM + 1e-9
            assert one.y + one.height_mm <= page.page_mm[1] - MARGIN_MM + 1e-9
            for other in page.placed[k + 1 :]:
                assert (
                    one.x + one.width_mm <= other.x + 1e-9
                    or other.x + other.width_mm <= one.x + 1e-9
                    or one.y + one.height_mm <= other.y + 1e-9
                    or other.y + other.height_mm <= one.y + 1e-9
                )


def test_a_piece_longer_than_the_paper_is_refused() -> None:
    with pytest.raises(ValueError, match=r"fit a page of 210 x 297 mm"):
        pack([Piece(1, 300.0, 20.0, lambda pen: None)], PAPER_MM["a4"])  # noqa: ARG005
