"""What growers do to photos: nothing is stated that the altered photo does not show.

The truth is the sample photo's own, which no change of its colours or sharpness alters.
"""

import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import ExifTags, Image

from trayvision.colorimetry import linear_to_srgb, srgb_to_linear
from trayvision.inspection.inspection import inspect_photo
from trayvision.inspection.record import photo_record

Pixels = npt.NDArray[np.uint8]

PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"
GROWN = "day6-barley-healthy-fixed"
MOULDY = "day4-barley-white-mould-25mm-phone"


def truth(name: str) -> Any:
    return json.loads((PHOTOS / f"{name}.json").read_text())


def pixels_of(name: str) -> Pixels:
    return np.asarray(Image.open(PHOTOS / f"{name}.jpg").convert("RGB"))


def told(name: str, pixels: Pixels) -> Any:
    """The record of the one tray in a sample photo whose pixels were changed."""
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG", compress_level=0)
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
    assert not {"tray_covered", "size_doubtful"} & {*tray["doubts"]}
    unknown = {"cover", "canopy_height_mm", "shoot_height_mm", "score"}
    assert {key for key in unknown if tray[key]["value"] is None} == unknown
    assert {tray[key]["reason"] for key in unknown} == {"greyscale"}
    assert all(one["likelihood"] < 0.5 for one in tray["mould"])
    assert tray["evenness"]["cover_variation"]["reason"] == "greyscale"
    assert tray["score"]["attention"] == "look"


def on_the_bed(name: str, left: float, right: float) -> npt.NDArray[np.bool_]:
    """Pixels over the bed between two shares of the tray's length, by the true camera."""
    tray, camera = truth(name)["tray"], truth(name)["camera"]
    x = np.array([left, right, right, left]) * tray["length"] - tray["length"] / 2
    y = np.array([-1, -1, 1, 1]) * tray["width"] / 2
    corners = np.stack([x, y, np.full(4, 15.0 - tray["depth"])], axis=1)
    seen = corners @ np.array(camera["R_world_to_camera"]).T + camera["t_world_to_camera"]
    at = camera["fx"] * seen[:, :2] / seen[:, 2:] + [camera["cx"], camera["cy"]]
    mask = np.zeros((camera["height"], camera["width"]), np.uint8)
    cv2.fillConvexPoly(mask, np.rint(at).astype(np.int32), 1)
    return mask > 0


@pytest.mark.parametrize("colour", [(60, 130, 60), (90, 180, 80)], ids=["green", "light green"])
def test_a_cloth_over_the_tray_is_no_crop(colour: tuple[int, int, int]) -> None:
    # A flat colour with the sensor's noise: no cloth as it is, and smoother than most.
    pixels = pixels_of(GROWN).astype(np.float64)
    covered = on_the_bed(GROWN, 0.0, 1.0)
    noise = np.random.default_rng(5).normal(0, 2, pixels.shape)
    pixels[covered] = (np.array(colour) + noise)[covered]
    tray = told(GROWN, np.clip(pixels, 0, 255).astype(np.uint8))
    assert {"no_detail", "too_little_seen"} <= set(tray["doubts"])
    assert tray["seen"] < 0.5
    assert tray["score"]["value"] is None
    assert tray["score"]["attention"] == "look"


@pytest.mark.parametrize("name", [GROWN, "day4-barley-healthy-fixed"])
def test_what_lies_behind_a_smear_on_the_lens_is_not_seen(name: str) -> None:
    pixels = pixels_of(name).astype(np.float32)
    rows, columns = pixels.shape[:2]
    patch = np.zeros((rows, columns), np.float32)
    axes = (columns // 5, rows // 5)
    cv2.ellipse(patch, (columns * 45 // 100, rows // 2), axes, 20, 0, 360, 1.0, -1)
    smear = cv2.GaussianBlur(patch, (0, 0), 25.0)[..., None]
    mixed = pixels * (1 - smear) + cv2.GaussianBlur(pixels, (0, 0), 12.0) * smear
    tray, true = told(name, np.rint(mixed).astype(np.uint8)), truth(name)
    assert "no_detail" in tray["doubts"]
    assert tray["seen"] < 0.8
    assert tray["score"]["attention"] == "look"
    assert abs(tray["cover"]["value"] - true["cover_ortho"]) < 2 * tray["cover"]["uncertainty"]


def test_half_a_tray_seen_keeps_no_quiet_score() -> None:
    pixels = pixels_of(GROWN)
    covered = pixels.copy()
    covered[on_the_bed(GROWN, 0.0, 0.4)] = (60, 130, 60)
    tray = told(GROWN, covered)
    assert "no_detail" in tray["doubts"]
    assert 0.5 < tray["seen"] < 0.7
    assert tray["score"]["attention"] == "look"
    mould = next(part for part in tray["score"]["parts"] if part["name"] == "mould")
    assert f"only {100 * tray['seen']:.0f} % of the tray could be judged" in mould["reason"]


def with_focal_length(name: str, factor: float) -> bytes:
    """The photo, whose own record says so many times its focal length."""
    with Image.open(PHOTOS / f"{name}.jpg") as photo:
        exif, content = photo.getexif(), io.BytesIO()
        facts = exif.get_ifd(ExifTags.IFD.Exif)
        equivalent = facts[ExifTags.Base.FocalLengthIn35mmFilm]
        facts[ExifTags.Base.FocalLengthIn35mmFilm] = round(factor * equivalent)
        photo.save(content, "JPEG", quality="keep", exif=exif)
    return content.getvalue()


def test_a_focal_length_that_the_tags_deny_is_not_believed() -> None:
    # Fitted with a focal length so wrong only the head's tags were found, and 180 mm were stated
    # where the canopy is 64 to 86 mm high.
    name = "day7-barley-white-mould-under-canopy-phone"
    true = truth(name)
    size = tuple(true["tray"][side] for side in ("length", "width", "depth"))
    (tray,) = photo_record(inspect_photo(with_focal_length(name, 1.35), tray_size=size))["trays"]
    assert tray["pose"]["focal_length_from"] == "estimated"
    assert len(tray["pose"]["tags"]) == 5
    camera_height_mm = true["camera"]["position_mm"][2]
    assert tray["pose"]["camera_height_mm"] == pytest.approx(camera_height_mm, abs=3.0)
    low, high = (true["canopy_height_mm"][f"height_at_strip_p{share}"] for share in (50, 90))
    height = tray["canopy_height_mm"]
    assert low - height["uncertainty"] < height["value"] < high + height["uncertainty"]


@pytest.mark.parametrize("name", [GROWN, "day0-barley-healthy-fixed"])
def test_a_grow_light_on_half_of_the_tray_is_mixed_light(name: str) -> None:
    linear = srgb_to_linear(pixels_of(name) / 255.0)
    # Invented: three tenths more red, a tenth more blue, less than half the green.
    linear[linear.shape[0] // 2 :] *= (1.3, 0.4, 1.1)
    lit = np.rint(255 * linear_to_srgb(np.clip(linear, 0, 1))).astype(np.uint8)
    assert "mixed_light" not in told(name, pixels_of(name))["doubts"]
    assert "mixed_light" in told(name, lit)["doubts"]


@pytest.mark.parametrize(
    ("name", "too_large"),
    [
        # Tags at one end alone: they fit a tray of any size.
        ("day6-barley-yellowing-fixed", (500, 250, 60)),
        ("day7-wheat-tags-hidden-fixed", (600, 300, 55)),
        ("day6-barley-two-trays-phone", (540, 280, 60)),
    ],
)
def test_of_a_tray_typed_too_large_no_cover_is_stated(
    name: str, too_large: tuple[float, float, float]
) -> None:
    own = truth(name)
    for size, doubted in (
        (tuple(own["tray"][side] for side in ("length", "width", "depth")), False),
        (too_large, True),
    ):
        found = inspect_photo(PHOTOS / f"{name}.jpg", tray_size=size, day=own["day"])
        trays = photo_record(found)["trays"]
        (tray,) = [tray for tray in trays if tray["tray"] == own["tray_number"]]
        assert ("size_doubtful" in tray["doubts"]) == doubted
        assert (tray["cover"]["value"] is None) == doubted
        if doubted:
            assert tray["cover"]["reason"] == "size_doubtful"
            assert tray["evenness"]["cover_variation"]["value"] is None
        else:
            assert abs(tray["cover"]["value"] - own["cover_ortho"]) < 0.1


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        # The rim's tags, half hidden by shoots, are read only where they are looked for.
        (GROWN, (600, 400, 60)),
        (GROWN, (540, 280, 60)),
        (GROWN, (520, 270, 60)),
        # Tags of bar B are read and left out; all six are taken, each 2 mm out of place.
        ("day0-barley-healthy-fixed", (520, 270, 60)),
        ("day0-barley-healthy-fixed", (450, 230, 60)),
    ],
)
def test_readable_tags_that_deny_the_size_are_not_passed_over(
    name: str, wrong: tuple[float, float, float]
) -> None:
    found = inspect_photo(PHOTOS / f"{name}.jpg", tray_size=wrong, day=truth(name)["day"])
    (tray,) = photo_record(found)["trays"]
    assert "size_doubtful" in tray["doubts"]
    assert "far_end_less_exact" not in tray["doubts"]
    for measure in ("cover", "canopy_height_mm"):
        assert (tray[measure]["value"], tray[measure]["reason"]) == (None, "size_doubtful")
    score = tray["score"]
    assert (score["value"], score["reason"]) == (None, "size_doubtful")
    assert score["attention"] != "quiet"


@pytest.mark.parametrize("name", [GROWN, "day6-wheat-finger-on-tag-phone"])
def test_of_the_true_size_no_tag_is_astray(name: str) -> None:
    assert "size_doubtful" not in told(name, pixels_of(name))["doubts"]


def test_glare_like_a_bar_leaves_a_size_that_all_tags_bear_out() -> None:
    name = "day4-barley-healthy-fixed"
    pixels = pixels_of(name)
    height, width = pixels.shape[:2]
    glare = np.zeros((height, width, 1), dtype=np.float32)
    cv2.circle(glare, (round(0.5 * width), round(0.45 * height)), round(0.09 * width), 2.0, -1)
    soft = cv2.GaussianBlur(glare, (0, 0), 0.02 * width)[..., None]
    linear = np.clip(srgb_to_linear(pixels / 255.0) + soft, 0, 1)
    tray = told(name, np.rint(255 * linear_to_srgb(linear)).astype(np.uint8))
    assert "size_doubtful" not in tray["doubts"]
    assert abs(tray["cover"]["value"] - truth(name)["cover_ortho"]) < 0.1


def test_a_hose_across_the_tray_is_said_and_a_clear_tray_is_not_covered() -> None:
    across, clear = "day5-wheat-hose-across-phone", "day5-barley-neutral-light-fixed"
    assert "tray_covered" in told(across, pixels_of(across))["doubts"]
    assert "tray_covered" not in told(clear, pixels_of(clear))["doubts"]
