"""The pixel classifier: its file, its shares, its geometry, and the rule it must have learnt."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from hashlib import sha256
from importlib.resources import files

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from trayvision.camera.camera import Camera
from trayvision.light.colour_correction import measure_light
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import TraySize
from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass
from trayvision.segmentation.segmentation import (
    FINEST_MM_PER_PX,
    MOST_CROP_PX,
    MOST_CROP_PX_OF_LARGE,
    WHOLE_PHOTO_LONG_SIDE,
    classify_pixels,
    segment,
)

RgbImage = npt.NDArray[np.uint8]
NETWORK = files("trayvision") / "network"


def textured(colour: tuple[int, int, int], height: int, width: int, *, seed: int = 0) -> RgbImage:
    """A field of one colour with a little light and shade."""
    rng = np.random.default_rng(seed)
    shade = cv2.resize(rng.normal(1.0, 0.06, (height // 24, width // 24)), (width, height))
    fine = rng.normal(1.0, 0.03, (height, width))
    lit = np.array(colour) * (shade * fine)[..., None]
    return np.asarray(np.clip(lit, 0, 255), dtype=np.uint8)


def grain(height: int, width: int, *, seed: int = 1) -> RgbImage:
    """Dry kernels, drawn as shaded straw-coloured ellipses 8 px long."""
    rng = np.random.default_rng(seed)
    picture = np.full((height, width, 3), (70, 52, 30), np.uint8)
    for _ in range(height * width // 10):
        centre = (float(rng.uniform(0, width)), float(rng.uniform(0, height)))
        straw = np.array([196, 160, 102]) * rng.uniform(0.6, 1.15)
        angle = float(rng.uniform(0, 360))
        cv2.ellipse(picture, (centre, (16.0, 7.0), angle), (straw * 0.75).tolist(), -1)
        cv2.ellipse(picture, (centre, (11.0, 4.0), angle), straw.tolist(), -1)
    return picture


def half_and_half() -> RgbImage:
    picture = grain(192, 272)
    picture[:, 150:] = textured((88, 140, 52), 192, 122)
    return picture


def scaled_light(picture: RgbImage, factor: float) -> RgbImage:
    return np.asarray(np.clip(picture * factor, 0, 255), dtype=np.uint8)


def test_the_networks_are_small_and_are_those_their_card_describes() -> None:
    weights = [path.read_bytes() for path in NETWORK.iterdir() if path.name.endswith(".onnx")]
    card = (NETWORK / "CARD.md").read_text(encoding="utf-8")
    assert len(weights) == 3
    assert sum(map(len, weights)) < 5_000_000
    for content in weights:
        assert sha256(content).hexdigest() in card


@pytest.mark.parametrize("shape", [(1, 5), (16, 16), (37, 91), (240, 333)])
def test_shares_cover_every_pixel_and_sum_to_one(shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(shape[0])
    shares = classify_pixels(rng.integers(0, 256, (*shape, 3), dtype=np.uint8))
    assert shares.shape == (CLASS_COUNT, *shape)
    assert shares.dtype == np.float32
    assert shares.min() >= 0
    np.testing.assert_allclose(shares.sum(axis=0), 1.0, atol=1e-5)


# Leaf greens of the project's table of vegetation indices.
@pytest.mark.parametrize("colour", [(60, 120, 40), (100, 150, 50), (120, 180, 60), (30, 90, 30)])
def test_a_green_field_is_shoots(colour: tuple[int, int, int]) -> None:
    classes = classify_pixels(textured(colour, 240, 336)).argmax(axis=0)
    assert (classes == TrayClass.SHOOT).mean() >= 0.985


def test_a_field_of_dry_grain_has_neither_shoots_nor_mould() -> None:
    classes = classify_pixels(grain(240, 336)).argmax(axis=0)
    assert (classes == TrayClass.SHOOT).mean() <= 0.01
    assert (classes == TrayClass.MOULD).mean() <= 0.001


def test_each_half_keeps_its_class_and_the_edge_its_place() -> None:
    classes = classify_pixels(half_and_half()).argmax(axis=0)
    assert (classes[:, :146] == TrayClass.SHOOT).mean() <= 0.01
    assert (classes[:, 154:] == TrayClass.SHOOT).mean() >= 0.985


@pytest.mark.parametrize("factor", [0.6, 0.8, 1.2])
def test_brightness_does_not_change_the_cover(factor: float) -> None:
    picture = half_and_half()
    cover = classify_pixels(picture)[TrayClass.SHOOT].mean()
    changed = classify_pixels(scaled_light(picture, factor))[TrayClass.SHOOT].mean()
    assert changed == pytest.approx(cover, abs=0.02)


@pytest.mark.parametrize("axis", [0, 1])
def test_a_mirrored_picture_gives_mirrored_shares(axis: int) -> None:
    picture = half_and_half()
    mirrored = classify_pixels(np.ascontiguousarray(np.flip(picture, axis)))
    difference = np.abs(np.flip(mirrored, axis + 1) - classify_pixels(picture))
    assert difference[TrayClass.SHOOT].mean() < 0.01


def test_pixels_must_be_colour_bytes() -> None:
    with pytest.raises(ValueError, match=r"rgb must be .* got shape \(4, 6\) of uint8"):
        classify_pixels(np.zeros((4, 6), np.uint8))
    with pytest.raises(ValueError, match=r"got shape \(4, 6, 3\) of float64"):
        classify_pixels(np.zeros((4, 6, 3)))  # type: ignore[arg-type]


def test_threads_share_the_network_without_mixing_pictures() -> None:
    pictures = [textured((60 + 20 * k, 120, 40), 64, 96 + 16 * k, seed=k) for k in range(6)]
    alone = [classify_pixels(picture) for picture in pictures]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(classify_pixels, pictures * 3))
    for index, shares in enumerate(together):
        np.testing.assert_array_equal(shares, alone[index % 6])


def ramp_photo(width: int, height: int, reduction: int) -> Photo:
    """A photo whose working pixels say where they are: red the column, green the row."""
    rows, columns = np.mgrid[: height // reduction, : width // reduction]
    shape = rows.shape
    pixels = np.stack([columns * 255 / shape[1], rows * 255 / shape[0], 0 * rows], axis=-1)
    return Photo(
        name="ramp",
        sha256="",
        pixels=np.ascontiguousarray(pixels.round().astype(np.uint8)),
        width=width,
        height=height,
        taken_at=None,
        focal_length_px=None,
        doubts=(),
        reduction=reduction,
    )


def pose_from_above(x_mm: float, y_mm: float, height_mm: float, *, focal_px: float) -> TrayPose:
    return TrayPose(
        number=3,
        size=TraySize(400, 250, 50),
        camera=Camera(3200, 2400, focal_px, focal_px, 1599.5, 1199.5),
        rotation=np.diag([1.0, -1.0, -1.0]),
        translation_mm=np.array([x_mm, y_mm, height_mm]),
        tags=(),
        reprojection_rms_px=0.1,
        covariance=np.eye(6) * 1e-6,
    )


@pytest.mark.parametrize("focal_px", [1800.0, 4000.0])
def test_the_crop_holds_the_opening_and_knows_where_it_is(focal_px: float) -> None:
    photo = ramp_photo(3200, 2400, 2)
    pose = pose_from_above(30.0, -20.0, 700.0, focal_px=focal_px)
    segmented = segment(photo, measure_light(photo, None), pose)
    height, width = segmented.shares.shape[1:]
    assert segmented.pixels.shape == segmented.corrected.shape == (height, width, 3)
    rows, columns = np.mgrid[20 : height - 20 : 29, 20 : width - 20 : 31]
    crop = np.stack([columns, rows, np.ones_like(rows)], axis=-1).reshape(-1, 3).astype(float)
    working = (crop @ segmented.crop_to_working.T)[:, :2]
    seen = segmented.pixels[crop[:, 1].astype(int), crop[:, 0].astype(int), :2]
    expected = working * 255 / [photo.pixels.shape[1], photo.pixels.shape[0]]
    np.testing.assert_allclose(seen, expected, atol=1.0)
    full = np.concatenate([photo.to_full(working), np.ones((len(working), 1))], axis=1)
    np.testing.assert_allclose(full @ segmented.photo_to_crop.T, crop[:, :2], atol=1e-9)
    opening = np.concatenate([pose.project(pose.size.opening_mm), np.ones((4, 1))], axis=1)
    corners = opening @ segmented.photo_to_crop.T
    assert ((corners > 0) & (corners < [width - 1, height - 1])).all()


def turned(pose: TrayPose, degrees: float) -> TrayPose:
    """The same with the camera turned about its own axis."""
    turn, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(degrees)]))
    return replace(pose, rotation=turn @ pose.rotation)


@pytest.mark.parametrize("degrees", [-28.0, 17.0, 38.0, 52.0, 115.0])
def test_the_crop_of_a_large_photo_lies_along_a_slanted_tray(degrees: float) -> None:
    photo = ramp_photo(3200, 2400, 2)
    straight = pose_from_above(0.0, 0.0, 700.0, focal_px=2700.0)
    pose = turned(straight, degrees)
    light = measure_light(photo, None)
    segmented = segment(photo, light, pose)
    height, width = segmented.shape
    columns, rows = np.meshgrid([40.0, width // 2, width - 41.0], [40.0, height - 41.0])
    crop = np.column_stack([columns.ravel(), rows.ravel()])
    working = crop @ segmented.crop_to_working[:2, :2].T + segmented.crop_to_working[:2, 2]
    at = np.rint(crop).astype(int)
    expected = working * 255 / [photo.pixels.shape[1], photo.pixels.shape[0]]
    np.testing.assert_allclose(segmented.pixels[at[:, 1], at[:, 0], :2], expected, atol=1.0)
    full = photo.to_full(working)
    back = full @ segmented.photo_to_crop[:, :2].T + segmented.photo_to_crop[:, 2]
    np.testing.assert_allclose(back, crop, atol=1e-9)
    opening = pose.project(pose.size.opening_mm)
    corners = opening @ segmented.photo_to_crop[:, :2].T + segmented.photo_to_crop[:, 2]
    assert ((corners > 0) & (corners < [width - 1, height - 1])).all()
    # The tray is seen as finely as a straight one, and up stays up.
    straight_px = segment(photo, light, straight).photo_to_crop[0, 0]
    assert np.linalg.det(segmented.photo_to_crop[:, :2]) ** 0.5 == pytest.approx(
        straight_px, rel=0.02
    )
    right = segmented.crop_to_working[:2, 0]
    assert abs(np.degrees(np.arctan2(right[1], right[0]))) <= 45 + 1e-6


def test_a_slanted_tray_that_leaves_the_photo_is_cropped_upright() -> None:
    photo = ramp_photo(3200, 2400, 2)
    pose = turned(pose_from_above(260.0, 0.0, 700.0, focal_px=2700.0), 30.0)
    segmented = segment(photo, measure_light(photo, None), pose)
    assert segmented.crop_to_working[0, 1] == 0


def test_a_fine_photo_is_reduced_to_half_a_millimetre() -> None:
    photo = ramp_photo(3200, 2400, 1)
    pose = pose_from_above(0.0, 0.0, 700.0, focal_px=3600.0)
    segmented = segment(photo, measure_light(photo, None), pose)
    full_px_a_crop_px = 1 / segmented.photo_to_crop[0, 0]
    mm_per_px = full_px_a_crop_px * (700.0 + 50.0) / 3600.0
    assert mm_per_px == pytest.approx(FINEST_MM_PER_PX, rel=0.005)


@pytest.mark.parametrize(
    ("reduction", "focal_px", "most_px"),
    [(1, 2700.0, MOST_CROP_PX), (2, 2700.0, MOST_CROP_PX_OF_LARGE)],
)
def test_a_crop_holds_no_more_than_the_network_can_take(
    reduction: int, focal_px: float, most_px: int
) -> None:
    photo = ramp_photo(3200, 2400, reduction)
    pose = replace(pose_from_above(0.0, 0.0, 800.0, focal_px=focal_px), size=TraySize(800, 350, 60))
    height, width = segment(photo, measure_light(photo, None), pose).shape
    assert height * width == pytest.approx(most_px, rel=0.005)


def test_a_whole_photo_is_reduced_to_its_long_side() -> None:
    photo = ramp_photo(2400, 1500, 1)
    segmented = segment(photo, measure_light(photo, None), None)
    assert segmented.shares.shape == (CLASS_COUNT, 640, WHOLE_PHOTO_LONG_SIDE)


def test_a_tray_outside_the_photo_is_a_wrong_call() -> None:
    photo = ramp_photo(3200, 2400, 2)
    with pytest.raises(ValueError, match="pose must lie inside the photo"):
        segment(
            photo,
            measure_light(photo, None),
            pose_from_above(9000.0, 0.0, 700.0, focal_px=1800.0),
        )
