"""Crops of a flag's place: the same cut now and last time, ringed, at one scale."""

from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw

from service.photos.evidence_pictures import draw_place
from tests.service.conftest import Room
from tests.service.flags.test_attention import mouldy, only, snap, spread
from tests.service.recorded_inspections import BED, MOULD, patch


def picture(room: Room, address: str) -> np.ndarray[Any, np.dtype[np.uint8]]:
    response = room.client.get(address)
    assert response.status_code == 200, response.text
    assert response.headers["content-type"] == "image/jpeg"
    return np.asarray(Image.open(BytesIO(response.content)))


def white_mm2(pixels: np.ndarray[Any, np.dtype[np.uint8]], px_per_mm: float) -> float:
    """Area of mould within the ring, left of and above the bar of length."""
    centre = pixels[80:540, 80:560].astype(int)
    near = np.abs(centre - np.array(MOULD)).max(axis=2) < 12
    return float(near.sum()) / px_per_mm**2


def test_place_is_cut_alike_now_and_before(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.0, drawn=True)
    flag = only(room, "possible mould")
    assert flag["now"] == f"/api/flags/{flag['id']}/evidence/now.jpg"
    now, before = picture(room, flag["now"]), picture(room, flag["before"])
    assert now.shape == before.shape == (640, 640, 3)
    # The least cut is 80 mm wide: 8 px a mm. 15 mm across now, 12 mm in the photo before.
    assert white_mm2(now, 8.0) == pytest.approx(np.pi * 15**2 / 4, rel=0.06)
    assert white_mm2(before, 8.0) == pytest.approx(np.pi * 12**2 / 4, rel=0.06)
    # The patch lies in the middle, its ring around it.
    assert np.abs(now[320, 320].astype(int) - MOULD).max() < 12
    assert np.abs(now[320, 320 + 8 * 30].astype(int) - BED).max() < 12


def test_no_earlier_photo_is_a_problem(room: Room) -> None:
    spread(room, 17)
    snap(room, 17, 3.0, slime=[{"x_mm": 0.0, "y_mm": 0.0, "area_mm2": 900.0}], drawn=True, mould=[])
    flag = only(room, "slime")
    assert flag["before"] is None
    assert picture(room, flag["now"]).shape == (640, 640, 3)
    missing = room.client.get(f"/api/flags/{flag['id']}/evidence/before.jpg")
    assert missing.status_code == 404
    assert missing.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("query", ["?place=7", "?place=-1"])
def test_place_that_a_flag_lacks_is_a_problem(room: Room, query: str) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75, drawn=True)
    flag = only(room, "possible mould")
    assert room.client.get(flag["now"] + query).status_code in (404, 422)
    assert room.client.get("/api/flags/999/evidence/now.jpg").status_code == 404


def test_each_place_of_a_flag_has_its_picture(room: Room) -> None:
    spread(room, 17)
    for day, size in ((4.0, 7.0), (4.5, 14.0), (5.0, 22.0)):
        seen = [patch(size, 0.9), patch(size, 0.9, x=150.0, y=-70.0)]
        snap(room, 17, day, mould=seen, drawn=True)
    flag = only(room, "possible mould")
    assert [one["x_mm"] for one in flag["evidence"]["places"]] == [-120.0, 150.0]
    first, second = (picture(room, f"{flag['now']}?place={place}") for place in (0, 1))
    assert white_mm2(second, 8.0) == pytest.approx(white_mm2(first, 8.0), rel=0.02)


@pytest.mark.parametrize(
    ("x", "y", "centre"), [(-268.0, 120.0, (8 * 2, 8 * 20)), (250.0, -138.0, (8 * 60, 8 * 78))]
)
def test_place_at_the_wall_is_cut_inside_the_tray(
    tmp_path: Path, x: float, y: float, centre: tuple[float, float]
) -> None:
    path = tmp_path / "view.png"
    view = Image.new("RGB", (540, 280), BED)
    column, row = 270 + x, 140 - y
    ImageDraw.Draw(view).rectangle((column - 1, row - 1, column, row), fill=(0, 0, 255))
    view.save(path)
    cut = np.asarray(Image.open(BytesIO(draw_place(path, _place(x, y)))))
    assert cut.shape == (640, 640, 3)
    blue = np.argwhere(cut[:, :, 2].astype(int) - cut[:, :, 0] > 60)
    assert blue.mean(axis=0)[::-1] == pytest.approx(centre, abs=3)


def _place(x: float | None, y: float | None) -> dict[str, float | None]:
    return {"x_mm": x, "y_mm": y, "diameter_mm": 10.0}


def test_whole_tray_is_shown_where_no_place_is_meant(tmp_path: Path) -> None:
    view = tmp_path / "view.png"
    Image.new("RGB", (540, 280), BED).save(view)
    whole = np.asarray(Image.open(BytesIO(draw_place(view, _place(None, None)))))
    assert whole.shape == (round(640 * 280 / 540), 640, 3)
