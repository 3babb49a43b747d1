"""The printed kit, rasterised and read back: every tag, every length, every number."""

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2 as pdfium
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reportlab.pdfgen.canvas import Canvas

from trayvision.kit_drawing import Pen
from trayvision.kit_guide import number_ranges
from trayvision.kit_packing import FOOT_MM, MARGIN_MM, pack
from trayvision.kit_pieces import (
    GLUE_TAB_MM,
    Piece,
    bar_pieces,
    head_piece,
    split_length,
    strip_pieces,
)
from trayvision.kit_sheets import PAPER_MM, Paper, write_kit
from trayvision.reference_kit import BAR_WIDTH_MM, CHARUCO_SHEET, TraySize, tag_id
from trayvision.shelf_camera import ShelfCamera

DPI = 300
TOLERANCE_MM = 0.2
TRAY = TraySize(540, 280, 60)
NUMBERS = (0, 7, 95)
# (paper, tray): whole bars; bars in two; bars in three and strips in two; label on a flap.
KITS: dict[str, tuple[Paper, TraySize]] = {
    "a4": ("a4", TRAY),
    "letter": ("letter", TRAY),
    "letter-large": ("letter", TraySize(900, 560, 120)),
    "a4-small": ("a4", TraySize(300, 100, 45)),
}
Grey = npt.NDArray[np.uint8]
Points = npt.NDArray[np.float64]


def raster(page: pdfium.PdfPage) -> Grey:
    return np.asarray(page.render(scale=DPI / 72, grayscale=True).to_pil().convert("L"))


def to_mm(points_px: npt.ArrayLike, height_px: int) -> Points:
    """Pixel centres at whole numbers, y down -> mm from the page's lower left corner, y up."""
    points: Points = np.asarray(points_px, dtype=np.float64) + 0.5
    points[..., 1] = height_px - points[..., 1]
    return np.asarray(points * 25.4 / DPI)


def read_tags(image: Grey) -> list[tuple[int, Points]]:
    """OpenCV's reader, an independent one: ids with (4, 2) corners in mm, printed order."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(image)
    return [
        (int(tag), to_mm(np.asarray(quad).reshape(4, 2), image.shape[0]))
        for tag, quad in zip(np.ravel(ids) if len(corners) else [], corners, strict=True)
    ]


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


def test_every_tag_is_there_once_with_its_edge(
    kit: tuple[str, TraySize, list[Grey], list[str]],
) -> None:
    _, _, images, _ = kit
    tags = [tag for image in images for tag in read_tags(image)]
    expected = {tag_id(n, corner) for n in NUMBERS for corner in range(6)} | {580, 581}
    assert sorted(tag for tag, _ in tags) == sorted(expected)
    for _, corners in tags:
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
    kit: tuple[str, TraySize, list[Grey], list[str]],
) -> None:
    paper, size, images, _ = kit
    centres = {
        tag: (page, corners.mean(axis=0))
        for page, image in enumerate(images)
        for tag, corners in read_tags(image)
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


def drawn(piece: Piece, path: Path) -> Grey:
    """One piece at 300 dpi, its lower left corner 10 mm into the page."""
    canvas = Canvas(str(path))
    pen = Pen(canvas)
    pen.new_page((piece.width_mm + 20, piece.height_mm + 20), "piece")
    with pen.moved(10, 10):
        piece.draw(pen)
    pen.end_page()
    canvas.save()
    document = pdfium.PdfDocument(path)
    image = raster(document[0])
    document.close()
    return image


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
    kit: tuple[str, TraySize, list[Grey], list[str]],
) -> None:
    _, size, images, texts = kit
    assert read_tags(images[0]) == read_tags(images[1]) == []
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


def test_number_ranges_are_written_as_a_person_does() -> None:
    assert number_ranges([5, 0, 1, 2, 9]) == "0–2, 5, 9"
    assert number_ranges([96]) == "96"
