"""What growers do to photos: nothing is stated that the altered photo does not show.

The truth is the sample photo's own, which no change of its colours or sharpness alters.
"""

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from trayvision.inspection import inspect_photo
from trayvision.inspection_record import photo_record

Pixels = npt.NDArray[np.uint8]

PHOTOS = Path(__file__).parents[1] / "sample_images" / "photos"
GROWN = "day6-barley-healthy-fixed"
MOULDY = "day4-barley-white-mould-25mm-phone"


def truth(name: str) -> Any:
    return json.loads((PHOTOS / f"{name}.json").read_text())


def pixels_of(name: str) -> Pixels:
    return np.asarray(Image.open(PHOTOS / f"{name}.jpg").convert("RGB"))


def told(name: str, pixels: Pixels) -> Any:
    """The record of the one tray in a sample photo whose pixels were changed."""
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG", compress_level=1)
    size = (truth(name)["tray"][side] for side in ("length", "width", "depth"))
    found = inspect_photo(file.getvalue(), tray_size=tuple(size), day=truth(name)["day"])
    (tray,) = photo_record(found)["trays"]
    return tray


@pytest.mark.parametrize("tint", [(1.0, 1.0, 1.0), (1.0, 0.87, 0.68)], ids=["grey", "sepia"])
@pytest.mark.parametrize("name", [GROWN, MOULDY])
def test_without_colour_no_cover_height_or_score_is_stated(
    name: str, tint: tuple[float, float, float]
) -> None:
    level = np.asarray(Image.fromarray(pixels_of(name)).convert("L")).astype(np.float64)
    tray = told(name, np.rint(level[..., None] * tint).astype(np.uint8))
    assert "greyscale" in tray["doubts"]
    unknown = {"cover", "canopy_height_mm", "shoot_height_mm", "score"}
    assert {key for key in unknown if tray[key]["value"] is None} == unknown
    assert {tray[key]["reason"] for key in unknown} == {"greyscale"}
    assert all(one["likelihood"] < 0.5 for one in tray["mould"])
    assert tray["evenness"]["cover_variation"]["reason"] == "greyscale"
    assert tray["score"]["attention"] == "look"
