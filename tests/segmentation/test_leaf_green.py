"""Leaf green against CIELAB of scikit-image and the published excess of green over red."""

from io import BytesIO

import numpy as np
import numpy.typing as npt
import pytest
import skimage.data
from hypothesis import assume, given
from hypothesis import strategies as st
from PIL import Image
from skimage.color import rgb2lab

from trayvision.inspection.inspection import inspect_photo
from trayvision.segmentation.leaf_green import far_from_leaves, leaf_green, shoot_share_by_colour
from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass

LEVELS = st.integers(0, 255)


def picture(colour: tuple[int, int, int], side: int = 4) -> npt.NDArray[np.uint8]:
    return np.full((side, side, 3), colour, dtype=np.uint8)


def others_of(tray_class: TrayClass, side: int = 4) -> npt.NDArray[np.float32]:
    """Blocks whose every share that is no shoot belongs to one class."""
    shares = np.zeros((CLASS_COUNT, side // 2, side // 2), np.float32)
    shares[tray_class] = 1
    return shares


@given(LEVELS, LEVELS, LEVELS)
def test_every_pixel_is_judged_by_the_published_quantities(r: int, g: int, b: int) -> None:
    # CIELAB by scikit-image; ExGR = ExG - ExR with ExR = 1.4 r - g: Meyer & Neto 2008,
    # Computers and Electronics in Agriculture 63:282. The borders are the module's own.
    a_star, b_star = rgb2lab(np.array([[[r, g, b]]], np.uint8))[0, 0, 1:]
    hue = np.degrees(np.arctan2(b_star, a_star)) % 360
    excess = (3 * g - 2.4 * r - b) / max(r + g + b, 1)
    chroma = np.hypot(a_star, b_star)
    # The last digits of the two conversions differ; the excess is the same to rounding.
    assume(min(abs(hue - 105), abs(hue - 165), abs(chroma - 20)) > 0.05)
    assume(abs(excess - 0.1) > 1e-9)
    expected = 105 < hue < 165 and chroma > 20 and excess > 0.1
    assert leaf_green(picture((r, g, b))).all() == expected


@pytest.mark.parametrize(
    ("what", "colour", "green"),
    [
        # Patches of the target of McCamy et al. 1976, J. Appl. Photogr. Eng. 2:95, in the 8-bit
        # sRGB that its maker states (from memory), and black and white. What is to be green of
        # them is common sense: foliage and grass are, teal and yellow are not.
        ("foliage", (87, 108, 67), True),
        ("green", (70, 148, 73), True),
        ("yellow green", (157, 188, 64), True),
        ("bluish green", (103, 189, 170), False),
        ("dark skin", (115, 82, 68), False),
        ("orange yellow", (224, 163, 46), False),
        ("yellow", (231, 199, 31), False),
        ("neutral 5", (122, 122, 121), False),
        ("black", (0, 0, 0), False),
        ("white", (255, 255, 255), False),
    ],
)
def test_patches_of_the_colour_target(what: str, colour: tuple[int, int, int], green: bool) -> None:
    assert leaf_green(picture(colour)).all() == green, what


def test_a_smooth_leaf_taken_for_bed_becomes_a_leaf_and_bed_stays_bed() -> None:
    little = np.full((4, 4), 0.05, np.float32)
    bed = others_of(TrayClass.BED)
    leaf = shoot_share_by_colour(picture((91, 160, 85)), little, bed)
    # Bayes' rule by hand: 0.05 x 0.61 against 0.95 x 0.008.
    assert leaf == pytest.approx(0.0305 / (0.0305 + 0.0076), rel=1e-5)
    wall = shoot_share_by_colour(picture((122, 122, 121)), little, bed)
    assert (wall == little).all()


@pytest.mark.parametrize(
    ("what", "colour", "far"),
    [
        # Of the same target. What no leaf looks like is common sense again; a yellow leaf may.
        ("foliage", (87, 108, 67), False),
        ("yellow green", (157, 188, 64), False),
        ("yellow", (231, 199, 31), False),
        ("bluish green", (103, 189, 170), False),
        ("neutral 5", (122, 122, 121), False),
        ("black", (0, 0, 0), False),
        ("dark skin", (115, 82, 68), True),
        ("orange yellow", (224, 163, 46), True),
        ("moderate red", (193, 90, 99), True),
        ("blue", (56, 61, 150), True),
    ],
)
def test_what_has_no_leafs_hue_for_far_around_is_no_leaf(
    what: str, colour: tuple[int, int, int], far: bool
) -> None:
    side = 64
    rgb = picture(colour, side)
    assert (far_from_leaves(rgb) == far).all(), what
    sure = np.full((side, side), 0.99, np.float32)
    assert (shoot_share_by_colour(rgb, sure, others_of(TrayClass.BED, side)) == 0).all() == far


def test_a_blade_over_soil_keeps_its_edges() -> None:
    rgb = picture((115, 82, 68), 200)
    rgb[:, 100:103] = (87, 108, 67)
    # Three of 31 pixels are more than hardly any.
    near = far_from_leaves(rgb)[:, 100 - 12 : 103 + 12]
    assert not near.any()
    assert far_from_leaves(rgb)[:, :80].all()


@pytest.mark.parametrize("texture", ["grass", "brick", "gravel"])
def test_brown_texture_is_no_canopy(texture: str) -> None:
    # Photographed textures that scikit-image carries, grey, in the colour of soil.
    grey = getattr(skimage.data, texture)().astype(float)
    tint = np.array([150, 100, 60])
    soil = np.clip(grey[..., None] / grey.mean() * 0.8 * tint, 0, 255).astype(np.uint8)
    shown = BytesIO()
    Image.fromarray(soil).save(shown, "JPEG", quality=95)
    (frame,) = inspect_photo(shown.getvalue(), whole_photo=True).trays
    assert frame.cover.cover.value is not None
    assert frame.cover.cover.value <= 0.01


def test_colour_speaks_less_against_mould_on_a_leaf_than_against_bed() -> None:
    half = np.full((4, 4), 0.5, np.float32)
    green = picture((91, 160, 85))
    over_mould = shoot_share_by_colour(green, half, others_of(TrayClass.MOULD))
    over_bed = shoot_share_by_colour(green, half, others_of(TrayClass.BED))
    assert (half < over_mould).all()
    assert (over_mould < over_bed).all()


@given(st.integers(0, 2**32 - 1), st.integers(1, 7), st.integers(1, 7))
def test_shares_stay_shares_and_fall_only_far_from_leaves(
    seed: int, rows: int, columns: int
) -> None:
    rng = np.random.default_rng(seed)
    rgb = rng.integers(0, 256, (rows, columns, 3), dtype=np.uint8)
    shoot = rng.random((rows, columns), dtype=np.float32)
    others = rng.dirichlet(np.ones(CLASS_COUNT), (-(-rows // 2), -(-columns // 2)))
    shares = shoot_share_by_colour(rgb, shoot, np.moveaxis(others, -1, 0).astype(np.float32))
    assert shares.shape == shoot.shape
    far = far_from_leaves(rgb)
    assert (shares[far] == 0).all()
    assert ((shares >= shoot - 1e-6) & (shares <= 1))[~far].all()
    plain = ~leaf_green(rgb) & ~far
    assert (shares[plain] == shoot[plain]).all()
