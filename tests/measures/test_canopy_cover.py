from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.measures.plans import planted
from trayvision.measures.canopy_cover import (
    Cells,
    cover_straight_down,
    measure_cover,
    measure_frame_cover,
)
from trayvision.quality_flags import Doubt
from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

ROWS, COLUMNS = 121, 263


def test_full_tray_is_one_and_empty_tray_zero() -> None:
    full = measure_cover(planted(np.full((ROWS, COLUMNS), TrayClass.SHOOT)))
    empty = measure_cover(planted(np.full((ROWS, COLUMNS), TrayClass.BED)))
    assert full.cover.value == pytest.approx(1.0)
    assert empty.cover.value == pytest.approx(0.0)


@given(st.floats(0.01, 0.99), st.floats(0, 0.35))
def test_cover_of_a_frame_is_the_share_of_pixels_told_to_be_shoots(
    covered: float, unsure: float
) -> None:
    # Whatever the shares are, what is more likely shoot than not counts as one pixel of it.
    classes = np.full((ROWS, COLUMNS), TrayClass.BED)
    classes[:, : round(covered * COLUMNS)] = TrayClass.SHOOT
    plan = planted(classes)
    shares = plan.shares * np.float32(1 - unsure)
    shares[TrayClass.BED] += np.float32(unsure)
    measured = measure_frame_cover(replace(plan, shares=shares))
    assert measured.cover.value == pytest.approx((classes == TrayClass.SHOOT).mean())
    assert measured.as_seen == measured.cover.value
    assert np.nanmin(measured.cells) >= 0


def test_a_frame_that_may_turn_over_is_less_sure_and_one_not_seen_is_unknown() -> None:
    classes = np.full((ROWS, COLUMNS), TrayClass.BED)
    classes[:, : COLUMNS // 2] = TrayClass.SHOOT
    plan = planted(classes)
    undecided = plan.shares.copy()
    undecided[TrayClass.SHOOT, :20] = np.where(classes[:20] == TrayClass.SHOOT, 0.55, 0.45)
    undecided[TrayClass.BED, :20] = 1 - undecided[TrayClass.SHOOT, :20]
    sure, unsure = (measure_frame_cover(p).cover for p in (plan, replace(plan, shares=undecided)))
    assert sure.uncertainty is not None
    assert unsure.uncertainty is not None
    # 20 of 121 rows may be either: half of their share.
    assert unsure.uncertainty == pytest.approx(np.hypot(20 / ROWS / 2, sure.uncertainty))
    # A photo without a kit may have been taken aslant, which matters where shoots are mixed.
    strewn = np.full((ROWS, COLUMNS), TrayClass.BED)
    strewn[:, ::2] = TrayClass.SHOOT
    mixed = measure_frame_cover(planted(strewn)).cover
    assert mixed.uncertainty is not None
    assert mixed.uncertainty > 2 * sure.uncertainty
    dark = replace(plan, judged=np.zeros_like(plan.judged))
    assert measure_frame_cover(dark).cover.reason == Doubt.TOO_LITTLE_SEEN


@given(st.integers(0, 30), st.floats(0, 1.2))
def test_cover_seen_from_the_side_is_corrected_downwards(column: int, tangent: float) -> None:
    classes = np.full((ROWS, COLUMNS), TrayClass.BED)
    classes[:, column::31] = TrayClass.SHOOT
    classes[:, (column + 1) % 31 :: 31] = TrayClass.SHOOT
    plumb = measure_cover(planted(classes)).cover.value
    slanting = measure_cover(planted(classes, zenith_tan=tangent)).cover.value
    assert plumb is not None
    assert slanting is not None
    assert slanting <= plumb + 1e-9
    assert plumb == pytest.approx((classes == TrayClass.SHOOT).mean(), abs=1e-6)


def projected(leaf_angle: float, zenith: float) -> float:
    """Shadow on level ground, along lines of sight, of a unit of leaf that may face any way.

    Reeve's formula for inclined point quadrats (Warren Wilson 1960, New Phytologist 59:1, its
    appendix), divided by the cosine of the zenith angle to bring it onto the ground; written here
    from memory.
    """
    elevation = np.pi / 2 - zenith
    flat = np.cos(leaf_angle) * np.sin(elevation)
    if leaf_angle > elevation:
        theta = np.arccos(np.tan(elevation) / np.tan(leaf_angle))
        flat *= 1 + 2 / np.pi * (np.tan(theta) - theta)
    return float(flat / np.cos(zenith))


@given(st.floats(0, 5), st.floats(0.05, 2.5))
def test_upright_and_flat_leaves_at_random_are_corrected_to_their_plumb_cover(
    upright_to_flat: float, leaf_area: float
) -> None:
    tangents = np.array([0.0, 0.2, 0.5, 1.0])
    upright = [projected(np.pi / 2 - 1e-7, float(np.arctan(tangent))) for tangent in tangents]
    flat = [projected(0.0, float(np.arctan(tangent))) for tangent in tangents]
    hidden = leaf_area * (np.array(flat) + upright_to_flat * np.array(upright))
    seen = 1 - np.exp(-hidden)
    corrected = cover_straight_down(seen, tangents, upright_to_flat)
    assert corrected == pytest.approx(1 - np.exp(-leaf_area), rel=1e-4)


def test_flat_leaves_look_alike_from_everywhere() -> None:
    assert cover_straight_down(np.array([0.4]), np.array([1.0]), 0.0) == pytest.approx(0.4)


@given(st.integers(1, 40), st.integers(1, 40), st.integers(1, 13))
def test_cell_means_keep_the_mean(rows: int, columns: int, cell: int) -> None:
    image = np.random.default_rng(rows * 41 + columns).random((rows, columns)).astype(np.float32)
    judged = np.ones((rows, columns), dtype=bool)
    cells = Cells(judged, cell)
    total = (cells.means(image) * cells.judged_px).sum()
    assert total / cells.judged_px.sum() == pytest.approx(float(image.mean()), abs=1e-5)
    assert cells.judged_px.sum() == rows * columns
    assert cells.judged_share == pytest.approx(np.ones_like(cells.judged_share))


def uncertainty_of(plan: TrayPlan) -> float:
    found = measure_cover(plan).cover.uncertainty
    assert found is not None
    return found


def test_what_is_not_judged_neither_counts_nor_dilutes() -> None:
    classes = np.full((ROWS, COLUMNS), TrayClass.SHOOT)
    classes[:, :100] = TrayClass.BED
    judged = np.ones((ROWS, COLUMNS), dtype=bool)
    judged[:, :100] = False
    part = measure_cover(planted(classes, judged=judged))
    assert part.cover.value == pytest.approx(1.0)
    assert np.isnan(part.cells[:, 0]).all()


def test_what_is_not_judged_may_differ_as_cells_differ_among_themselves() -> None:
    # Bands of two cells each, bare and full in turn: the cells' standard deviation is one half.
    bands = np.where(np.arange(COLUMNS) // 24 % 2 == 0, TrayClass.BED, TrayClass.SHOOT)
    classes = np.broadcast_to(bands, (ROWS, COLUMNS))
    judged = np.ones((ROWS, COLUMNS), dtype=bool)
    judged[72:] = False
    part = planted(classes, judged=judged)
    # By hand: 49 of 121 rows, which may be wrong by half of that deviation.
    assert uncertainty_of(part) > max(49 / 121 * 0.5 / 2, uncertainty_of(planted(classes)))


def test_a_cell_of_which_less_than_half_is_judged_does_not_count() -> None:
    classes = np.full((ROWS, COLUMNS), TrayClass.BED)
    classes[:, :12] = TrayClass.SHOOT
    judged = np.ones((ROWS, COLUMNS), dtype=bool)
    judged[:, :7] = False
    cover = measure_cover(planted(classes, judged=judged))
    # 5 of the first cells' 12 columns are judged.
    assert np.isnan(cover.cells[:, 0]).all()
    assert cover.cover.value == pytest.approx(0.0)
    judged[:, 6] = True
    cover = measure_cover(planted(classes, judged=judged))
    assert cover.cells[:, 0] == pytest.approx(1.0)


@pytest.mark.parametrize("tangent", [0.6, 1.0])
def test_a_slanting_view_is_as_unsure_as_how_upright_the_blades_stand(tangent: float) -> None:
    # The ratios that fit the true pixels of two renderers' trays best: 1.8 and 3.2.
    half = np.array([0.5])
    least, most = (
        float(cover_straight_down(half, np.array([tangent]), ratio)[0]) for ratio in (3.2, 1.8)
    )
    chequered = np.where(
        np.indices((ROWS, COLUMNS)).sum(axis=0) % 2, TrayClass.SHOOT, TrayClass.BED
    )
    cover = measure_cover(planted(chequered, zenith_tan=tangent)).cover
    assert cover.value is not None and cover.uncertainty is not None
    assert least < cover.value < most
    assert (most - least) / 2 < cover.uncertainty < most - least


def test_shares_that_are_unsure_make_cover_unsure() -> None:
    plan = planted(np.full((ROWS, COLUMNS), TrayClass.BED))
    shares = plan.shares.copy()
    shares[TrayClass.BED] = shares[TrayClass.SHOOT] = 0.5
    # The logistic curve's slope is one quarter at one half: 0.45 more or less of log odds, by
    # which the segmentation errs from photo to photo, is 0.11 of cover.
    unsure = uncertainty_of(replace(plan, shares=shares))
    assert unsure == pytest.approx(0.45 / 4, rel=0.1)
    assert unsure > 3 * uncertainty_of(plan)


def test_as_many_young_shoots_again_may_go_unseen() -> None:
    # Two columns in every hundred: of young shoots nearly as many again may pass for roots.
    classes = np.full((ROWS, COLUMNS), TrayClass.BED)
    classes[:, ::50] = TrayClass.SHOOT
    covered = float((classes == TrayClass.SHOOT).mean())
    assert 0.8 * covered < uncertainty_of(planted(classes)) < 1.2 * covered


def test_shoots_that_come_up_unseen_widen_the_interval_on_their_days() -> None:
    plan = planted(np.full((ROWS, COLUMNS), TrayClass.BED))
    usual, day_3, day_5 = (measure_cover(plan, day=day).cover for day in (None, 3.0, 5.0))
    assert usual.value == day_3.value == day_5.value
    assert usual.uncertainty == day_5.uncertainty
    assert usual.uncertainty is not None
    assert day_3.uncertainty == pytest.approx(np.hypot(usual.uncertainty, 0.012))


def test_the_interval_is_wider_where_a_canopy_closes() -> None:
    shoots = np.arange(COLUMNS) % 20
    covers = []
    for full in (10, 18, 20):
        classes = np.where(shoots < full, TrayClass.SHOOT, TrayClass.BED)
        covers.append(measure_cover(planted(np.broadcast_to(classes, (ROWS, COLUMNS)))).cover)
    half, closing, closed = covers
    assert half.uncertainty is not None and closing.uncertainty is not None
    assert closed.uncertainty is not None and closing.value == pytest.approx(0.9, abs=0.02)
    assert half.uncertainty < 0.03 < closing.uncertainty
    assert closed.uncertainty < 0.03


def test_too_little_seen_is_not_guessed() -> None:
    judged = np.zeros((ROWS, COLUMNS), dtype=bool)
    judged[:30, :] = True
    cover = measure_cover(planted(np.full((ROWS, COLUMNS), TrayClass.SHOOT), judged=judged))
    assert cover.cover.value is None
    assert cover.cover.reason == "too_little_seen"
