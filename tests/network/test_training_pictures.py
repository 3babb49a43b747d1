"""Training pictures: drawn ones repeat, and targets follow the mask rule."""

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from training_set import training_photo
from trayvision.network.composites import compose, cover, overgrow, overgrow_leaves
from trayvision.network.dataset import (
    HARMLESS,
    IGNORE,
    MOULD,
    MOULDLESS,
    TruthView,
    shrink_targets,
    training_targets,
)
from trayvision.network.drawing import BED, FLOOR, SHOOT, SIDE, SLIME, THING, Canvas
from trayvision.network.drawn_stands import defocus, draw_stand
from trayvision.network.drawn_water import draw_droplets, draw_sheen
from trayvision.network.things import lay_things, read_cutouts

# A camera 600 mm above the middle of a 400 x 250 x 50 mm tray, looking straight down.
TRUTH = {
    "camera": {
        "R_world_to_camera": [[1, 0, 0], [0, -1, 0], [0, 0, -1]],
        "t_world_to_camera": [0, 0, 600],
        "fx": 300.0,
        "fy": 300.0,
        "cx": 159.5,
        "cy": 119.5,
    },
    "tray": {"length": 400, "width": 250, "depth": 50},
}


def test_a_seed_draws_the_same_picture_again_and_another_seed_another() -> None:
    first, targets = compose(11)
    again, targets_again = compose(11)
    np.testing.assert_array_equal(first, again)
    np.testing.assert_array_equal(targets, targets_again)
    assert first.shape == (SIDE, SIDE, 3)
    assert (compose(12)[0] != first).any()


def test_mould_grows_only_where_there_is_bed_or_leaf() -> None:
    targets = np.full((300, 500), HARMLESS, np.uint8)
    targets[:, 250:] = SHOOT
    rgb = np.full((300, 500, 3), (90, 140, 60), np.uint8)
    seeds_with_mould = 0
    for seed in range(12):
        _, grown = overgrow(rgb, targets, seed)
        assert set(np.unique(grown)) <= {HARMLESS, SHOOT, MOULD, IGNORE}
        seeds_with_mould += bool((grown == MOULD).any())
    assert 0 < seeds_with_mould < 12  # under leaves there is no bed here for it to grow on


@pytest.mark.parametrize("shape", [(300, 500), (700, 900)])
def test_on_a_photograph_mould_grows_only_on_leaves(shape: tuple[int, int]) -> None:
    rgb = np.full((*shape, 3), (70, 150, 50), np.uint8)
    half = shape[1] // 2
    rgb[:, :half] = (150, 120, 90)
    leaves = np.zeros(shape, np.bool_)
    leaves[:, half:] = True
    with_mould = with_ground = 0
    for seed in range(8):
        drawn, targets = overgrow_leaves(rgb, leaves, seed)
        again, _ = overgrow_leaves(rgb, leaves, seed)
        np.testing.assert_array_equal(drawn, again)
        assert drawn.shape == (SIDE, SIDE, 3)
        assert set(np.unique(targets)) <= {MOULD, MOULDLESS, IGNORE}
        ground = (drawn == (150, 120, 90)).all(axis=2)
        leaf = (drawn == (70, 150, 50)).all(axis=2)
        with_ground += bool(ground.any())
        assert not (targets[ground] == MOULD).any()
        if (targets == MOULD).any():
            with_mould += 1
            assert leaf[targets == MOULD].mean() < 0.1
    assert with_mould > 4
    assert with_ground > 4


def test_floor_is_drawn_into_the_bed_alone_and_roots_lie_over_it() -> None:
    targets = np.full((SIDE, SIDE), BED, np.uint8)
    targets[:, :100] = SHOOT
    rgb = np.full((SIDE, SIDE, 3), (150, 120, 80), np.uint8)
    with_floor = 0
    for seed in range(12):
        _, opened = overgrow(rgb, targets, seed)
        assert not (opened[:, :100] == FLOOR).any()
        with_floor += bool((opened == FLOOR).any())
    assert 3 <= with_floor < 12


def canvas_of(targets: npt.NDArray[np.uint8]) -> Canvas:
    return Canvas(np.full((SIDE, SIDE, 3), 0.5, np.float32), targets)


def test_all_that_is_lit_in_a_closed_stand_is_shoots_and_a_dark_gap_may_be_anything() -> None:
    gaps = 0
    for seed in range(12):
        canvas = canvas_of(np.full((SIDE, SIDE), HARMLESS, np.uint8))
        draw_stand(canvas, np.random.default_rng(seed))
        assert set(np.unique(canvas.targets)) <= {SHOOT, IGNORE}
        assert (canvas.targets == SHOOT).mean() > 0.25
        gaps += bool((canvas.targets == IGNORE).any())
    assert gaps > 0


def test_drops_of_water_change_the_picture_and_not_what_it_shows() -> None:
    targets = np.full((SIDE, SIDE), BED, np.uint8)
    for seed in range(6):
        canvas = canvas_of(targets.copy())
        draw_droplets(canvas, np.random.default_rng(seed))
        assert (canvas.targets == targets).all()
        assert np.isfinite(canvas.rgb).all()
        assert np.abs(canvas.rgb - 0.5).max() > 0.05


def test_pale_light_on_a_bed_is_no_mould_whatever_else_it_hides() -> None:
    targets = np.full((SIDE, SIDE), BED, np.uint8)
    targets[:, :200] = SLIME
    targets[:40] = MOULD
    pale = 0
    for seed in range(8):
        canvas = canvas_of(targets.copy())
        draw_sheen(canvas, np.random.default_rng(seed))
        changed = canvas.targets != targets
        assert set(np.unique(canvas.targets[changed])) <= {MOULDLESS, IGNORE}
        assert (canvas.targets[changed & (targets == MOULD)] == IGNORE).all()
        assert (canvas.rgb[changed].mean(axis=1) > 0.55).mean() > 0.9 or not changed.any()
        pale += bool(changed.any())
    assert pale > 4


def test_what_lies_below_a_thing_is_a_thing_and_the_rest_keeps_its_class() -> None:
    targets = np.full((SIDE, SIDE), SHOOT, np.uint8)
    for seed in range(40):
        canvas = canvas_of(targets.copy())
        lay_things(canvas, np.random.default_rng(seed), ())
        assert set(np.unique(canvas.targets)) <= {THING, IGNORE, SHOOT}
        hidden = (canvas.targets == THING).mean()
        assert 0 < hidden < 0.95
        # At most a shadow falls on what is not hidden.
        assert canvas.rgb[canvas.targets == SHOOT].max() <= 0.5 + 0.15 * 0.5
    covered, _ = cover(np.full((SIDE, SIDE, 3), 90, np.uint8), targets, 3)
    again, _ = cover(np.full((SIDE, SIDE, 3), 90, np.uint8), targets, 3)
    np.testing.assert_array_equal(covered, again)


def test_cut_out_things_keep_their_colours_and_their_holes(tmp_path: Path) -> None:
    ring = np.zeros((90, 90, 4), np.uint8)
    cv2.circle(ring, (45, 45), 33, (30, 40, 250, 255), 12)
    opaque = np.full((90, 90, 4), 255, np.uint8)
    cv2.imwrite(str(tmp_path / "ring.png"), ring)
    cv2.imwrite(str(tmp_path / "opaque.png"), opaque)
    cv2.imwrite(str(tmp_path / "small.png"), ring[::4, ::4])
    cutouts = read_cutouts([tmp_path])
    assert len(cutouts) == 1  # nothing tells where an opaque picture's thing ends
    found = 0
    for seed in range(20):
        canvas = canvas_of(np.full((SIDE, SIDE), BED, np.uint8))
        lay_things(canvas, np.random.default_rng(seed), cutouts)
        red = (canvas.rgb[..., 0] > 2 * canvas.rgb[..., 1]) & (canvas.targets == THING)
        found += bool(red.any())
    assert found > 5
    with pytest.raises(FileNotFoundError, match="things must name PNG pictures"):
        read_cutouts([tmp_path / "none"])


def test_out_of_focus_a_border_between_two_classes_does_not_count() -> None:
    targets = np.full((SIDE, SIDE), BED, np.uint8)
    targets[:, SIDE // 2 :] = SHOOT
    widths = []
    for seed in range(12):
        canvas = canvas_of(targets.copy())
        defocus(canvas, np.random.default_rng(seed))
        unclear = canvas.targets == IGNORE
        assert not unclear[:, : SIDE // 2 - 20].any()
        assert not unclear[:, SIDE // 2 + 20 :].any()
        widths.append(int(unclear.sum(axis=1).max()))
    assert max(widths) >= 6


@pytest.mark.parametrize(("mould_px", "expected"), [(0, 2), (3, 2), (4, MOULD), (16, MOULD)])
def test_a_coarser_pixel_is_mould_from_a_quarter_up(mould_px: int, expected: int) -> None:
    # The mask rule of the truth files: the largest share, but mould from 25 % of the pixel up.
    block = np.full(16, 2, np.uint8)
    block[:mould_px] = MOULD
    targets = np.tile(block.reshape(4, 4), (3, 5))
    assert (shrink_targets(targets, 5, 3) == expected).all()


def test_occluders_over_the_opening_count_and_the_background_does_not() -> None:
    view = TruthView(TRUTH)
    classes = np.zeros((240, 320), np.uint8)
    alone = training_targets(TRUTH, classes, None, view)
    assert alone[120, 160] == 0
    assert alone[5, 5] == HARMLESS
    crowded = training_targets({**TRUTH, "other_trays": [{}]}, classes, None, view)
    assert crowded[5, 5] == IGNORE
    everything = np.full_like(classes, SHOOT)
    known = training_targets({**TRUTH, "other_trays": [{}]}, classes, everything, view)
    assert known[5, 5] == SHOOT
    assert known[120, 160] == 0


PLANS = [training_photo(seed) for seed in range(160)]


def test_a_seed_plans_the_same_training_photo_again() -> None:
    assert training_photo(7) == PLANS[7]
    assert PLANS[8].tray != PLANS[7].tray


def test_training_trays_are_of_every_plastic_and_show_what_is_hard_to_tell() -> None:
    trays = [plan.tray for plan in PLANS]
    assert {tray.plastic for tray in trays if len(tray.bare) > 3} >= {"white", "black", "green"}
    assert sum(bool(tray.slime) for tray in trays) > 12
    assert sum(bool(tray.water) for tray in trays) > 5
    widths = [2 * spot.radius_mm for tray in trays for spot, _ in tray.mould]
    assert min(widths) < 6 < 60 < max(widths)
    assert 0.3 < sum(not tray.mould for tray in trays) / len(trays) < 0.7
    pale = [tray for tray in trays if 2 <= tray.day <= 4.5 and tray.stand.emergence_day < tray.day]
    assert len(pale) > 20
