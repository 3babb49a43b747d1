"""The tag family's published figures, corners against drawn truth, and hidden tags."""

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trayvision.camera.camera import Camera
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo, tag_corners_px
from trayvision.tags.corners import refine_corners
from trayvision.tags.family import TAG_COUNT, family, payload_bits, payload_distances, tag_cells
from trayvision.tags.reading import ReadTag, TagReader
from trayvision.tags.search import accepted, decode, read_cells, search_tag

Image = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

CAMERA = Camera(640, 460, 520.0, 523.0, 309.0, 242.0)
TRAY = DrawnTray(31, cover=0.6, canopy_height_mm=35.0)
VIEW = View.looking_at((-110.0, -70.0, 560.0), (40.0, 10.0, 0.0))


@cache
def _drawn() -> Image:
    return draw_photo([(TRAY, VIEW)], CAMERA, seed=5)


def _grey(pixels: Image) -> Image:
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def test_family_has_587_ids() -> None:
    # Published size of tag36h11 (AprilTag 2/3; OpenCV DICT_APRILTAG_36h11).
    assert payload_bits().shape == (587, 6, 6)
    assert family().markerSize == 6


def test_least_distance_is_eleven_over_pairs_and_turns() -> None:
    # Published minimum Hamming distance of tag36h11, recomputed over all pairs and turns.
    least = 36
    for tag in range(TAG_COUNT):
        distances = payload_distances(payload_bits()[tag], np.ones((6, 6), dtype=bool))
        assert distances[tag, 0] == 0
        distances[tag, 0] = 36
        least = min(least, int(distances.min()))
    assert least == 11


@pytest.mark.parametrize("tag", [0, 5, 102, 581, 586])
def test_cells_are_those_of_opencvs_own_print(tag: int) -> None:
    printed = np.zeros((8, 8), dtype=np.uint8)
    cv2.aruco.generateImageMarker(family(), tag, 8, printed, 1)
    np.testing.assert_array_equal(tag_cells(tag), printed > 0)


def test_unknown_tag_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="tag must be 0 to 586, got 587"):
        tag_cells(587)


@given(tag=st.integers(0, 586), turn=st.integers(0, 3), data=st.data())
def test_distance_counts_the_cells_that_differ_among_those_seen(
    tag: int, turn: int, data: st.DataObject
) -> None:
    bits = np.rot90(payload_bits()[tag], turn).copy().ravel()
    flipped = data.draw(st.sets(st.integers(0, 35), max_size=5))
    hidden = data.draw(st.sets(st.integers(0, 35), max_size=10))
    bits[list(flipped)] ^= True
    seen = np.ones(36, dtype=bool)
    seen[list(hidden)] = False
    distances = payload_distances(bits.reshape(6, 6), seen.reshape(6, 6))
    assert distances[tag, turn] == len(flipped - hidden)


def _errors(tags: tuple[ReadTag, ...], truth: dict[int, FloatArray]) -> FloatArray:
    return np.stack([tag.corners_px - truth[tag.id] for tag in tags])


def test_all_six_tags_are_read_in_printed_order_to_a_fifth_of_a_pixel() -> None:
    tags = TagReader.of(as_photo(_drawn())).read_all()
    assert sorted(tag.id for tag in tags) == [186, 187, 188, 189, 190, 191]
    errors = _errors(tags, tag_corners_px(TRAY, VIEW, CAMERA))
    assert np.sqrt((errors**2).sum(axis=-1).mean()) < 0.2


def test_stated_corner_uncertainty_is_the_real_one() -> None:
    rng = np.random.default_rng(11)
    ratios = []
    for seed in range(8):
        eye = (rng.uniform(-200, 0), rng.uniform(-120, 120), rng.uniform(480, 640))
        view = View.looking_at(eye, (30.0, 0.0, 0.0))
        blur = float(rng.uniform(0.5, 1.0))
        pixels = draw_photo([(TRAY, view)], CAMERA, seed=seed, blur_px=blur, noise=1.5)
        truth = tag_corners_px(TRAY, view, CAMERA)
        ratios += [
            (tag.corners_px - truth[tag.id]).ravel() / tag.corner_sigma_px
            for tag in TagReader.of(as_photo(pixels)).read_all()
        ]
    ratio = np.concatenate(ratios)
    assert len(ratio) > 8 * 8 * 5
    assert 0.7 < np.sqrt((ratio**2).mean()) < 1.3
    assert (np.abs(ratio) < 1.96).mean() > 0.90


def test_clipped_white_does_not_move_the_corners() -> None:
    bright = np.clip(1.35 * _drawn().astype(np.float64), 0, 255).astype(np.uint8)
    assert (bright == 255).mean() > 0.05
    tags = TagReader.of(as_photo(bright)).read_all()
    errors = _errors(tags, tag_corners_px(TRAY, VIEW, CAMERA))
    assert len(tags) >= 4
    assert np.sqrt((errors**2).sum(axis=-1).mean()) < 0.25


@given(gain=st.floats(0.15, 1.0), lift=st.floats(0.0, 40.0))
@settings(max_examples=8)
def test_brightness_and_veil_keep_tags_and_corners(gain: float, lift: float) -> None:
    changed = np.clip(lift + gain * _drawn().astype(np.float64), 0, 255).astype(np.uint8)
    tags = TagReader.of(as_photo(changed)).read_all()
    errors = _errors(tags, tag_corners_px(TRAY, VIEW, CAMERA))
    # Those that do not stand out any more are found by the pose; see test_pose.
    assert len(tags) >= 4
    assert np.sqrt((errors**2).sum(axis=-1).mean()) < 0.4


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turning_the_photo_turns_the_corners(quarters: int) -> None:
    height, width = _drawn().shape[:2]
    plain = {tag.id: tag.corners_px for tag in TagReader.of(as_photo(_drawn())).read_all()}
    turned = np.ascontiguousarray(np.rot90(_drawn(), quarters))
    for tag in TagReader.of(as_photo(turned)).read_all():
        x, y = plain[tag.id].T
        expected = {
            1: np.column_stack([y, width - 1 - x]),
            2: np.column_stack([width - 1 - x, height - 1 - y]),
            3: np.column_stack([height - 1 - y, x]),
        }[quarters]
        np.testing.assert_allclose(tag.corners_px, expected, atol=0.25)


@pytest.mark.parametrize("scale", [0.7, 1.6, 2.5])
def test_scaling_the_photo_scales_the_corners(scale: float) -> None:
    height, width = _drawn().shape[:2]
    size = (round(width * scale), round(height * scale))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    scaled = cv2.resize(_drawn(), size, interpolation=method)
    factor = np.array(size) / (width, height)
    tags = TagReader.of(as_photo(np.asarray(scaled, dtype=np.uint8))).read_all()
    truth = tag_corners_px(TRAY, VIEW, CAMERA)
    assert len(tags) >= 4
    for tag in tags:
        expected = (truth[tag.id] + 0.5) * factor - 0.5
        assert np.sqrt(((tag.corners_px - expected) ** 2).sum(axis=-1).mean()) < 0.4 * max(1, scale)


def _with_blades(pixels: Image, corners: FloatArray, count: int, seed: int) -> Image:
    """Green strokes from outside across a tag."""
    rng = np.random.default_rng(seed)
    covered = pixels.copy()
    centre, reach = corners.mean(axis=0), np.linalg.norm(corners[0] - corners[2])
    for _ in range(count):
        angle = rng.uniform(0, 2 * np.pi)
        start = centre + reach * np.array([np.cos(angle), np.sin(angle)])
        end = centre + rng.uniform(-0.25, 0.25, 2) * reach
        a, b = (tuple(int(v) for v in point.round()) for point in (start, end))
        cv2.line(covered, a, b, (60, 120, 35), max(2, round(reach / 18)), cv2.LINE_AA)
    return covered


def test_a_tag_under_blades_is_found_where_it_must_be() -> None:
    truth = tag_corners_px(TRAY, VIEW, CAMERA)[186]
    found = 0
    for seed in range(8):
        grey = _grey(_with_blades(_drawn(), truth, 3, seed))
        rng = np.random.default_rng(seed)
        tag = search_tag(grey, truth + rng.uniform(-6, 6, 2), 186, 12.0)
        if tag is not None:
            found += 1
            misfit = np.sqrt(((tag.corners_px - truth) ** 2).mean())
            assert misfit < max(0.4, 3 * tag.sigma_px)
    assert found >= 7


def test_blades_defeat_the_plain_reader() -> None:
    # Otherwise the test above would show nothing.
    truth = tag_corners_px(TRAY, VIEW, CAMERA)[186]
    missed = sum(
        186
        not in {
            tag.id
            for tag in TagReader.of(as_photo(_with_blades(_drawn(), truth, 3, seed))).read_all()
        }
        for seed in range(8)
    )
    assert missed >= 6


def test_no_other_tag_is_ever_found_in_the_place_of_one() -> None:
    rng = np.random.default_rng(3)
    grey = _grey(_drawn())
    truth = tag_corners_px(TRAY, VIEW, CAMERA)
    for tag in rng.integers(0, TAG_COUNT, 20):
        for id_there, corners in truth.items():
            if tag != id_there:
                assert search_tag(grey, corners, int(tag), 10.0) is None


def test_no_tag_is_found_in_noise() -> None:
    rng = np.random.default_rng(4)
    noise = rng.integers(0, 256, (300, 420)).astype(np.uint8)
    grey = np.asarray(cv2.GaussianBlur(noise, (0, 0), 2.0), dtype=np.uint8)
    square = np.array([[0.0, 0], [30, 0], [30, 30], [0, 30]])
    for _ in range(150):
        place = square + rng.uniform(60, 220, 2)
        assert search_tag(grey, place, int(rng.integers(TAG_COUNT)), 25.0) is None


def test_agreement_with_the_own_tag_is_complete_and_with_another_is_not() -> None:
    grey, corners = _grey(_drawn()), tag_corners_px(TRAY, VIEW, CAMERA)[190]
    own, other = read_cells(grey, [corners, corners], [190, 191])
    assert own is not None
    assert (own.wrong, own.border_wrong) == (0, 0)
    assert own.seen >= 33
    assert accepted(own)
    assert other is None or not accepted(other)


@pytest.mark.parametrize("turn", range(4))
def test_a_quad_is_decoded_from_any_of_its_corners(turn: int) -> None:
    corners = tag_corners_px(TRAY, VIEW, CAMERA)[191]
    assert decode(_grey(_drawn()), np.roll(corners, turn, axis=0)) == (191, turn)


def test_a_quad_of_the_background_is_not_decoded() -> None:
    rng = np.random.default_rng(8)
    noise = rng.integers(0, 256, (300, 420)).astype(np.uint8)
    grey = np.asarray(cv2.GaussianBlur(noise, (0, 0), 3.0), dtype=np.uint8)
    square = np.array([[0.0, 0], [40, 0], [40, 40], [0, 40]])
    assert all(decode(grey, square + rng.uniform(20, 240, 2)) is None for _ in range(300))


def test_a_tag_outside_the_photo_gives_nothing() -> None:
    square = np.array([[0.0, 0], [30, 0], [30, 30], [0, 30]])
    reader = TagReader.of(as_photo(_drawn()))
    for place in ((-500.0, 50.0), (50.0, 900.0), (625.0, 445.0)):
        assert reader.read_at(3, square + place, 10.0) is None
        assert refine_corners(reader.grey, [square + place], [3]) == [None]


def test_tags_are_refined_together_as_each_alone() -> None:
    grey, truth = _grey(_drawn()), tag_corners_px(TRAY, VIEW, CAMERA)
    rng = np.random.default_rng(9)
    rough = {tag: corners + rng.uniform(-1.5, 1.5, 2) for tag, corners in truth.items()}
    # Where there is none, and one that lies outside: neither may disturb the others.
    wrong = [(190, truth[191] + 60.0), (191, truth[191] + 5000.0)]
    asked = [wrong[0], *rough.items(), wrong[1]]
    together = refine_corners(grey, [corners for _, corners in asked], [tag for tag, _ in asked])
    assert together[0] is None or together[0].edge_share < 0.25
    assert together[-1] is None
    for (tag, corners), found in zip(asked, together, strict=True):
        (alone,) = refine_corners(grey, [corners], [tag])
        assert (found is None) == (alone is None)
        if found is not None and alone is not None:
            np.testing.assert_allclose(found.corners_px, alone.corners_px, atol=1e-6)
            assert found.sigma_px == pytest.approx(alone.sigma_px, rel=1e-6)
    places, tags = [corners for _, corners in asked], [tag for tag, _ in asked]
    singly = [read_cells(grey, [place], [tag])[0] for place, tag in zip(places, tags, strict=True)]
    assert read_cells(grey, places, tags) == singly
    assert refine_corners(grey, [], []) == []
    assert read_cells(grey, [], []) == []


def test_a_halved_photo_gives_full_size_corners() -> None:
    full = CAMERA.scaled_to(1280, 920)
    photo = replace(as_photo(_drawn()), width=1280, height=920, reduction=2)
    tags = TagReader.of(photo).read_all()
    errors = _errors(tags, tag_corners_px(TRAY, VIEW, full))
    assert len(tags) == 6
    assert np.sqrt((errors**2).sum(axis=-1).mean()) < 0.4
