"""The printed kit, rasterised and read back: every tag, every length, every number."""

from pathlib import Path

import cv2
import numpy as np
import pypdfium2 as pdfium
import pytest

from tests.kit.printed_pages import DPI, TOLERANCE_MM, TRAY, Grey, Points, raster, read_tags, to_mm
from trayvision.kit.guide import number_ranges
from trayvision.kit.packing import MARGIN_MM
from trayvision.kit.pieces import (
    split_length,
    strip_pieces,
)
from trayvision.kit.sheets import PAPER_MM, Paper, write_kit
from trayvision.kit.shelf_camera import ShelfCamera
from trayvision.reference_kit import CHARUCO_SHEET, TraySize, tag_id

NUMBERS = (0, 7, 95)
# (paper, tray): whole bars; bars in two; bars in three and strips in two; label on a flap.
KITS: dict[str, tuple[Paper, TraySize]] = {
    "a4": ("a4", TRAY),
    "letter": ("letter", TRAY),
    "letter-large": ("letter", TraySize(900, 560, 120)),
    "a4-small": ("a4", TraySize(300, 100, 45)),
}


@pytest.fixture(scope="module", params=sorted(KITS))
def kit(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, TraySize, list[Grey], list[str]]:
    """Paper, tray, the rasterised pages and their text."""
    paper, size = KITS[request.param]
    path = tmp_path_factory.mktemp("kit") / "sheets.pdf"
    write_kit(path, trays=NUMBERS, size=size, paper=paper)
    document = pdfium.PdfDocument(path)
    images = [raster(page) for page in document]
    texts = [page.get_textpage().get_text_range() for page in document]
    document.close()
    return paper, size, images, texts


@pytest.fixture(scope="module")
def tags(kit: tuple[str, TraySize, list[Grey], list[str]]) -> list[list[tuple[int, Points]]]:
    """What an independent reader finds on each page."""
    return [read_tags(image) for image in kit[2]]


def test_every_tag_is_there_once_with_its_edge(tags: list[list[tuple[int, Points]]]) -> None:
    found = [tag for page in tags for tag in page]
    expected = {tag_id(n, corner) for n in NUMBERS for corner in range(6)} | {580, 581}
    assert sorted(tag for tag, _ in found) == sorted(expected)
    for _, corners in found:
        edges = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
        assert edges == pytest.approx(np.full(4, 30.0), abs=TOLERANCE_MM)


def test_every_page_is_its_paper_and_carries_a_line_of_100_mm(
    kit: tuple[str, TraySize, list[Grey], list[str]],
) -> None:
    paper, _, images, texts = kit
    for image, text in zip(images, texts, strict=True):
        sides = sorted(side * 25.4 / DPI for side in image.shape)
        assert sides == pytest.approx(sorted(PAPER_MM[paper]), abs=TOLERANCE_MM)
        row = image[round(image.shape[0] - 8.5 / 25.4 * DPI)]
        dark = np.flatnonzero(row[: round(130 / 25.4 * DPI)] < 128)
        assert len(dark) == dark[-1] - dark[0] + 1
        assert len(dark) * 25.4 / DPI == pytest.approx(100, abs=TOLERANCE_MM)
        assert "100 mm" in text


def test_whole_bars_keep_their_tags_apart(
    kit: tuple[str, TraySize, list[Grey], list[str]], tags: list[list[tuple[int, Points]]]
) -> None:
    paper, size, _, _ = kit
    centres = {
        tag: (page, corners.mean(axis=0))
        for page, found in enumerate(tags)
        for tag, corners in found
    }
    for number in (*NUMBERS, 96):
        pairs = [(4, 5, 56.0)]
        if number != 96 and size.width_mm <= max(PAPER_MM[paper]) - 2 * MARGIN_MM:
            pairs += [(0, 1, size.width_mm - 40), (3, 2, size.width_mm - 40)]
        for one, other, distance in pairs:
            (page, a), (other_page, b) = (centres[6 * number + c] for c in (one, other))
            assert page == other_page
            assert np.linalg.norm(a - b) == pytest.approx(distance, abs=TOLERANCE_MM)


def test_a_person_can_read_the_number_of_every_piece(
    kit: tuple[str, TraySize, list[Grey], list[str]],
) -> None:
    paper, size, _, texts = kit
    words = "\n".join(texts[3:])
    limit = max(PAPER_MM[paper]) - 2 * MARGIN_MM
    flap = size.width_mm < 110
    for number in NUMBERS:
        for end in ("A", "B"):
            label = f"tray {number} · bar {end}" if flap else f"\n{number} {end}"
            parts = len(split_length(size.width_mm, limit))
            assert words.replace("\r", "").count(label) == parts
    lines = words.split()
    strips = len(strip_pieces(7, size, limit))
    # Each part of the strip and the head; the foot's "tray 7" comes on top.
    assert lines.count("96") >= strips + 1
    assert lines.count("95") >= strips + 1


def test_calibration_sheet_is_the_board_that_is_read(
    kit: tuple[str, TraySize, list[Grey], list[str]],
) -> None:
    _, _, images, _ = kit
    sheet = CHARUCO_SHEET
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, sheet.dictionary))
    board = cv2.aruco.CharucoBoard(
        (sheet.columns, sheet.rows), sheet.square_mm, sheet.marker_mm, dictionary
    )
    corners, ids, _, markers = cv2.aruco.CharucoDetector(board).detectBoard(images[2])
    assert sorted(np.ravel(markers)) == list(range(17))
    assert sorted(np.ravel(ids)) == list(range(24))
    measured = to_mm(np.asarray(corners).reshape(-1, 2), images[2].shape[0])
    expected = np.asarray(board.getChessboardCorners())[np.ravel(ids), :2] * [1, -1]
    apart = measured - measured[0] - (expected - expected[0])
    assert np.abs(apart).max() < TOLERANCE_MM


def test_the_guide_counts_sheets_and_holds_no_readable_tag(
    kit: tuple[str, TraySize, list[Grey], list[str]], tags: list[list[tuple[int, Points]]]
) -> None:
    _, size, _, texts = kit
    assert tags[0] == tags[1] == []
    assert f"trays 0, 7, 95 · {size} mm" in texts[0]
    for words in ("Laminate matt", "water path", "low voltage", "never says that feed is safe"):
        assert words in " ".join(texts[0].split())


def test_the_camera_page_says_until_which_day(tmp_path: Path) -> None:
    path = tmp_path / "kit.pdf"
    for camera, words in (
        (ShelfCamera.under_shelf(300, 120), "from day 6 the camera no longer sees"),
        (ShelfCamera.under_shelf(300, 60), "not even the empty tray is seen whole"),
        (ShelfCamera.under_shelf(700, 90), "the whole tray is seen until harvest"),
    ):
        write_kit(path, trays=[1], size=TRAY, levels=(), camera=camera)
        document = pdfium.PdfDocument(path)
        assert words in " ".join(document[1].get_textpage().get_text_range().split())
        document.close()


def test_a_room_of_72_trays_starts_with_18_sheets(tmp_path: Path) -> None:
    carried, bar_a, bar_b, strips = write_kit(
        tmp_path / "room.pdf", trays=range(72), size=TRAY, paper="a4"
    )
    assert (carried.sheets, bar_a.sheets, bar_b.sheets) == (1, 18, 18)
    assert strips.sheets <= 25
    assert [s.first_page for s in (carried, bar_a, bar_b)] == [4, 5, 23]


def test_same_order_same_bytes(tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        write_kit(tmp_path / name, trays=[3, 4], size=TRAY)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_wrong_orders_are_named(tmp_path: Path) -> None:
    path = tmp_path / "kit.pdf"
    with pytest.raises(ValueError, match=r"at least one tray number, got none"):
        write_kit(path, trays=[], size=TRAY)
    with pytest.raises(ValueError, match=r"numbers from 0 to 95, got 96"):
        write_kit(path, trays=[1, 96], size=TRAY)
    with pytest.raises(ValueError, match=r"each number once, got some twice"):
        write_kit(path, trays=[1, 2, 1], size=TRAY)
    with pytest.raises(ValueError, match=r"paper must be one of a4, letter, got 'a5'"):
        write_kit(path, trays=[1], size=TRAY, paper="a5")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=r"levels must be from 1 to 3, got 4"):
        write_kit(path, trays=[1], size=TRAY, levels=(1, 4))
    assert not path.exists()


def test_number_ranges_are_written_as_a_person_does() -> None:
    assert number_ranges([5, 0, 1, 2, 9]) == "0–2, 5, 9"
    assert number_ranges([96]) == "96"
