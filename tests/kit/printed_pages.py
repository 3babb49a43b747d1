"""Pages of the kit rasterised and read back with an independent reader, in mm."""

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2 as pdfium
from reportlab.pdfgen.canvas import Canvas

from trayvision.kit.drawing import Pen
from trayvision.kit.pieces import (
    Piece,
)
from trayvision.reference_kit import TraySize

DPI = 300
TOLERANCE_MM = 0.2
TRAY = TraySize(540, 280, 60)
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
