"""A first inspection before anybody's photo: what a process loads and prepares once, it has then.

The network, fonts, tables of colours and much of the libraries are read when they are first
needed, which takes two thirds of a second of processor time.
"""

from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import numpy as np
from PIL import Image

from service.photos.inspection_job import InspectionJob
from service.photos.measuring import inspect_job
from trayvision.pose.marked_tray import MarkedTray
from trayvision.reference_kit import TraySize

# The smallest that is taken for a photo, or nearly.
_SIDES_PX: Final = (640, 360)
_SIZE: Final = "540x280x60"
_MARKED: Final = MarkedTray(
    corners_px=((60.0, 320.0), (580.0, 320.0), (580.0, 50.0), (60.0, 50.0)),
    size=TraySize.parse(_SIZE),
)


def rehearse() -> None:
    """Look for a kit on a small picture that shows none, then measure it as a marked tray."""
    width, height = _SIDES_PX
    pixels = np.random.default_rng(0).integers(40, 200, (height, width, 3), dtype=np.uint8)
    with TemporaryDirectory(prefix="trayvision-") as folder:
        path = Path(folder) / "rehearsal.jpg"
        Image.fromarray(pixels).save(path)
        for marked in (None, _MARKED):
            inspect_job(
                InspectionJob(
                    path=path,
                    name=path.name,
                    received_at=datetime(2026, 1, 1, tzinfo=UTC),
                    room_zone="UTC",
                    tray_size=_SIZE,
                    sizes={},
                    runs={},
                    marked=marked,
                )
            )
