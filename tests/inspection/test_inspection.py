"""The whole inspection on rendered sample photos, and what must not change its measures."""

import io
import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from trayvision.inspection.class_mask import class_mask
from trayvision.inspection.inspection import Inspection, inspect_photo
from trayvision.inspection.record import photo_record
from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.score.health_score import KIT_IN_PHOTO

PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"
GROWN = "day6-barley-healthy-fixed"
YOUNG = "day4-barley-healthy-fixed"
SLANTED = "day5-barley-grey-green-mould-45mm-phone"
# Names that others script against.
CONTRACT = (
    "tray day pose cover canopy_height_mm shoot_height_mm colour evenness seen sharpness "
    "light fuzz mould slime score remarks"
).split()


def truth(name: str) -> Any:
    return json.loads((PHOTOS / f"{name}.json").read_text())


def size_of(name: str) -> tuple[float, float, float]:
    tray = truth(name)["tray"]
    return tray["length"], tray["width"], tray["depth"]


@cache
def inspected(name: str) -> Inspection:
    return inspect_photo(PHOTOS / f"{name}.jpg", tray_size=size_of(name), day=truth(name)["day"])


def changed(name: str, image: Image.Image, quality: int = 92) -> Inspection:
    file = io.BytesIO()
    image.save(file, "JPEG", quality=quality)
    return inspect_photo(file.getvalue(), tray_size=size_of(name), day=truth(name)["day"])


def picture(name: str) -> Image.Image:
    # Without its EXIF, so that nothing but the pixels speaks.
    return Image.fromarray(np.asarray(Image.open(PHOTOS / f"{name}.jpg")))


def agree(one: Measurement, other: Measurement, floor: float) -> bool:
    assert one.value is not None
    assert other.value is not None
    assert one.uncertainty is not None
    assert other.uncertainty is not None
    return abs(one.value - other.value) <= max(floor, one.uncertainty + other.uncertainty)


@pytest.mark.parametrize("name", [GROWN, YOUNG])
def test_tray_is_found_and_measured_near_its_truth(name: str) -> None:
    (tray,) = inspected(name).trays
    assert tray.number == truth(name)["tray_number"]
    cover = tray.cover.cover
    assert cover.value is not None
    assert cover.uncertainty is not None
    assert abs(cover.value - truth(name)["cover_ortho"]) <= 1.96 * cover.uncertainty < 0.1
    assert tray.plan.seen > 0.9
    assert not [patch for patch in tray.mould.patches if patch.likelihood >= 0.5]


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_photo_changes_nothing(turns: int) -> None:
    straight = inspected(GROWN).trays[0]
    turned = changed(GROWN, picture(GROWN).rotate(90 * turns, expand=True)).trays[0]
    assert turned.number == straight.number
    assert agree(turned.cover.cover, straight.cover.cover, 0.01)
    assert agree(turned.height.canopy_height_mm, straight.height.canopy_height_mm, 3)


@settings(max_examples=6)
@given(brightness=st.floats(0.7, 1.2), scale=st.floats(0.75, 1.4), quality=st.integers(75, 95))
def test_light_scale_and_encoding_change_no_more_than_is_stated(
    brightness: float, scale: float, quality: int
) -> None:
    original = picture(GROWN)
    linear = (np.asarray(original) / 255.0) ** 2.2 * brightness
    pixels = np.rint(255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    image = Image.fromarray(pixels).resize(
        (round(original.width * scale), round(original.height * scale)),
        Image.Resampling.LANCZOS,
    )
    straight, other = inspected(GROWN).trays[0], changed(GROWN, image, quality).trays[0]
    assert other.number == straight.number
    assert agree(other.cover.cover, straight.cover.cover, 0.02)
    assert agree(other.height.canopy_height_mm, straight.height.canopy_height_mm, 4)


def test_slanting_view_is_said() -> None:
    (steep,) = inspected("day6-barley-only-bar-a-phone").trays
    assert Doubt.STEEP_VIEW in steep.doubts
    assert Doubt.STEEP_VIEW not in inspected(GROWN).trays[0].doubts


def test_mirrored_photo_is_refused() -> None:
    flipped = picture(GROWN).transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    with pytest.raises(PhotoProblem, match="mirrored") as refused:
        changed(GROWN, flipped)
    assert Doubt.MIRRORED in refused.value.doubts


def test_record_keeps_the_contract() -> None:
    record = json.loads(json.dumps(photo_record(inspected(GROWN))))
    assert {"file", "sha256", "taken_at", "width", "height", "problem", "trays"} <= set(record)
    (tray,) = record["trays"]
    assert set(CONTRACT) <= set(tray)
    assert {"reprojection_rms_px", "camera_height_mm", "tags", "corners_px"} <= set(tray["pose"])
    assert set(map(int, tray["pose"]["corners_px"])) == set(tray["pose"]["tags"])
    assert {"value", "uncertainty"} <= set(tray["cover"])
    assert {"value", "parts"} <= set(tray["score"])


def test_same_photo_gives_the_same_record() -> None:
    once = photo_record(inspected(YOUNG))
    again = photo_record(
        inspect_photo(PHOTOS / f"{YOUNG}.jpg", tray_size=size_of(YOUNG), day=truth(YOUNG)["day"])
    )
    assert once == again


def test_mask_lies_on_the_photo_and_knows_what_is_outside() -> None:
    inspection = inspected(GROWN)
    mask = class_mask(inspection)
    true = np.asarray(Image.open(PHOTOS / f"{GROWN}.classes.png"))
    assert mask.shape == true.shape
    assert set(np.unique(mask)) <= {0, 1, 2, 3, 4, 5, 6, 255}
    judged = (mask != 0) & (mask != 255)
    shoots, truly = (mask == 3) & judged, (true == 3) & judged
    assert (shoots & truly).sum() / (shoots | truly).sum() > 0.85
    assert mask[:5].max() == 0


def test_mask_of_a_large_photo_of_a_slanted_tray_lies_on_it() -> None:
    true = Image.open(PHOTOS / f"{SLANTED}.classes.png")
    large = (3 * true.width, 3 * true.height)
    inspection = changed(SLANTED, picture(SLANTED).resize(large, Image.Resampling.BICUBIC))
    (tray,) = inspection.trays
    assert tray.segmented.crop_to_working[0, 1] != 0
    mask = class_mask(inspection)
    shown = np.asarray(true.resize(large, Image.Resampling.NEAREST))
    judged = (mask != 0) & (mask != 255)
    shoots, truly = (mask == 3) & judged, (shown == 3) & judged
    assert (shoots & truly).sum() / (shoots | truly).sum() > 0.8
    assert agree(tray.cover.cover, inspected(SLANTED).trays[0].cover.cover, 0.0)


def test_whole_photo_has_no_millimetres() -> None:
    image = Image.fromarray(np.full((700, 900, 3), (80, 140, 50), dtype=np.uint8))
    file = io.BytesIO()
    image.save(file, "PNG")
    inspection = inspect_photo(file.getvalue(), whole_photo=True)
    (tray,) = photo_record(inspection)["trays"]
    assert tray["tray"] is None
    assert tray["pose"] is None
    assert tray["canopy_height_mm"]["value"] is None
    assert tray["canopy_height_mm"]["reason"] == "no_kit"
    assert "no_kit" in tray["doubts"]
    assert all("x_px" in patch and "x_mm" not in patch for patch in tray["mould"])
    assert KIT_IN_PHOTO not in tray["score"]["suggestions"]


def whole(pixels: npt.NDArray[np.uint8]) -> Any:
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG")
    (tray,) = photo_record(inspect_photo(file.getvalue(), whole_photo=True, day=6.0))["trays"]
    return tray


def test_whole_photo_of_a_tray_has_cover_and_says_that_its_kit_was_seen() -> None:
    (tray,) = photo_record(inspect_photo(PHOTOS / f"{SLANTED}.jpg", whole_photo=True))["trays"]
    assert tray["evenness"]["bare_floor"] == tray["evenness"]["bare_areas"] == []
    assert tray["evenness"]["cover_variation"]["reason"] == "no_kit"
    assert KIT_IN_PHOTO in tray["score"]["suggestions"]
    reasons = {part["name"]: part["reason"] for part in tray["score"]["parts"]}
    share = f"{100 * tray['cover']['value']:.0f} %"
    assert reasons["cover"].startswith(f"Whether cover {share} is usual cannot be told.")


@pytest.mark.parametrize("picture", ["noise", "green", "ramp"])
def test_whole_photo_of_anything_has_no_score(picture: str) -> None:
    rng = np.random.default_rng(7)
    ramp = np.linspace(40, 200, 640, dtype=np.uint8)[None, :, None]
    pixels = {
        "noise": rng.integers(0, 256, (420, 640, 3), dtype=np.uint8),
        "green": np.full((420, 640, 3), (70, 140, 50), dtype=np.uint8),
        "ramp": np.ascontiguousarray(np.tile(ramp, (420, 1, 3)) * np.array([0, 1, 0], np.uint8)),
    }[picture]
    score = whole(pixels)["score"]
    assert (score["value"], score["reason"]) == (None, "no_kit")
    assert (score["uncertainty"], score["lowest"], score["highest"]) == (None, None, None)
    assert {part["name"] for part in score["parts"] if part["known"]} <= {"mould", "colour"}
    assert score["attention"] != "quiet"


@pytest.mark.parametrize("day", [0.0, 1.0])
def test_a_grown_tray_on_a_first_day_is_of_a_doubtful_day(day: float) -> None:
    photo = PHOTOS / f"{GROWN}.jpg"
    (doubted,) = photo_record(inspect_photo(photo, tray_size=size_of(GROWN), day=day))["trays"]
    (true,) = photo_record(inspected(GROWN))["trays"]
    assert doubted["day"] == day
    assert "day_doubtful" in doubted["doubts"] and "day_doubtful" not in true["doubts"]
    assert "thickness_not_seen" not in doubted["doubts"]
    parts = {part["name"]: part for part in doubted["score"]["parts"]}
    assert {name for name, part in parts.items() if part["doubt"] == "day_doubtful"} == {
        "cover",
        "height",
    }
    assert doubted["score"]["lowest"] < 70 < doubted["score"]["highest"]
    # What does not go by age is measured as on the true day.
    assert doubted["mould"] == true["mould"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"day": 99}, "day must be from -2 to 60 days since spreading, got 99"),
        ({"tray_size": (5, 5, 5)}, "length_mm must be from 100 to 3000 mm, got 5"),
    ],
)
def test_wrong_call_names_the_argument(options: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        inspect_photo(PHOTOS / f"{GROWN}.jpg", **options)
