"""The accuracy report counts as it says: small cases worked by hand."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from trayvision.accuracy.document import FolderResult, markdown, summary
from trayvision.accuracy.plots import draw_plots
from trayvision.accuracy.scores import (
    Candidate,
    ComparedValue,
    PatchScore,
    PhotoScore,
    compare_patches,
    shoot_overlap,
)
from trayvision.accuracy.table import (
    Goal,
    accuracy_table,
    brier_score,
    colour_differences,
    warned_in_time,
)
from trayvision.accuracy.truth import PhotoTruth, TruePatch, find_photos
from trayvision.accuracy.worst import worst_cases

# A camera 500 mm above the rim looking straight down: x right, y down in the photo.
LOOKING_DOWN: dict[str, Any] = {
    "width": 640,
    "height": 400,
    "fx": 500.0,
    "fy": 500.0,
    "cx": 319.5,
    "cy": 199.5,
    "distortion": 0,
    "R_world_to_camera": [[1, 0, 0], [0, -1, 0], [0, 0, -1]],
    "t_world_to_camera": [0, 0, 500.0],
}


def truth_fields(**changes: Any) -> dict[str, Any]:
    tag = {
        "id": 42,
        "corners_px": [[10, 20], [50, 20], [50, 60], [10, 60]],
        "edge_px": 40.0,
        "visible_fraction": 1.0,
        "visible_fraction_with_quiet_zone": 1.0,
    }
    hidden = tag | {"id": 43, "visible_fraction_with_quiet_zone": 0.5}
    patch = {
        "kind": "white-fuzz",
        "centroid_mm": [30.0, -20.0],
        "z_mm": -50.0,
        "area_mm2": 314.0,
        "equivalent_diameter_mm": 20.0,
        "visible_px": 150,
    }
    return {
        "tray": {"length": 500, "width": 250, "depth": 60},
        "tray_number": 7,
        "tray_seed": 5,
        "day": 2.5,
        "camera": LOOKING_DOWN,
        "tags": [tag, hidden],
        "cover_ortho": 0.25,
        "strip": {},
        "canopy_height_mm": {"height_at_strip_p50": 20.0, "height_at_strip_p90": 30.0},
        "mould": [patch],
        "root_hair_fuzz": False,
        "lighting": {"kind": "led"},
    } | changes


def write_truth(folder: Path, name: str = "one", **changes: Any) -> None:
    (folder / f"{name}.json").write_text(json.dumps(truth_fields(**changes)))
    (folder / f"{name}.jpg").write_bytes(b"not opened here")


@pytest.fixture
def truth(tmp_path: Path) -> PhotoTruth:
    write_truth(tmp_path)
    return find_photos(tmp_path)[0]


def line(scores: list[PhotoScore], start: str) -> Goal:
    return next(goal for goal in accuracy_table(scores) if goal.what.startswith(start))


def test_truth_is_read_with_scale_at_the_patch(truth: PhotoTruth) -> None:
    assert (truth.tray_number, truth.whole_day, truth.readable_tags) == (7, 2, 1)
    assert truth.height_band_mm == (20.0, 30.0)
    # 500 mm above the rim and 50 below it, over 500 px of focal length.
    assert truth.patches[0].mm_per_px == pytest.approx(1.1)
    assert truth.patches[0].visible_share == pytest.approx(150 * 1.1**2 / 314)


def test_second_tray_counts_as_one_to_identify(tmp_path: Path) -> None:
    tags = [truth_fields()["tags"][0]] * 2
    other = {"tray_number": 8, "tray": truth_fields()["tray"], "tags": tags}
    write_truth(tmp_path, other_trays=[other], strip=None)
    (truth,) = find_photos(tmp_path)
    assert truth.height_band_mm is None
    assert truth.numbers == {7, 8}
    assert line([PhotoScore(truth, found=True)], "trays identified").reached == "0 of 1"
    both = PhotoScore(truth, found=True, others_found=truth.others)
    assert line([both], "trays identified").reached == "1 of 1"


def test_photo_without_picture_is_passed_over(tmp_path: Path) -> None:
    write_truth(tmp_path)
    (tmp_path / "series.json").write_text("[]")
    assert len(find_photos(tmp_path)) == 1


def test_folder_without_truth_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="folder must hold photos with truth files, got none in"):
        find_photos(tmp_path)


def test_broken_truth_names_its_file(tmp_path: Path) -> None:
    write_truth(tmp_path, lighting={})
    with pytest.raises(ValueError, match=r"one\.json must be a truth file, got KeyError\('kind'\)"):
        find_photos(tmp_path)


@pytest.mark.parametrize(
    ("value", "error", "within"), [(25.0, 0.0, True), (18.5, -1.5, True), (32.5, 2.5, False)]
)
def test_error_is_the_distance_to_the_band(value: float, error: float, within: bool) -> None:
    compared = ComparedValue(value, 1.0, 20.0, 30.0)
    assert compared.error == pytest.approx(error)
    assert compared.within_interval is within


def said(x_mm: float, y_mm: float, likelihood: float, area_mm2: float = 300.0) -> dict[str, float]:
    return {"x_mm": x_mm, "y_mm": y_mm, "likelihood": likelihood, "area_mm2": area_mm2}


def test_patch_is_found_within_a_quarter_more_than_its_radius(truth: PhotoTruth) -> None:
    inside, outside = said(30 + 12.4, -20, 0.9), said(30 + 12.6, -20, 0.9)
    patches, candidates, false_patches = compare_patches(truth, [inside, outside])
    assert patches[0].found
    assert candidates == (Candidate(0.9, True), Candidate(0.9, False))
    assert false_patches == 1


def test_unlikely_patch_is_neither_found_nor_false(truth: PhotoTruth) -> None:
    reported = [said(30, -20, 0.49), said(-100, 50, 0.2)]
    patches, candidates, false_patches = compare_patches(truth, reported)
    assert (patches[0].found, len(candidates), false_patches) == (False, 2, 0)


def test_shoots_are_compared_where_both_judge(truth: PhotoTruth) -> None:
    real = np.zeros((4, 6), dtype=np.uint8)
    real[1:3, 1:5] = 3
    mask = np.full((4, 6), 2, dtype=np.uint8)
    mask[1:3, 2:6] = 3
    mask[1, 1] = 255
    cv2.imwrite(str(truth.class_mask), real)
    # Seen by both: 2 x 3; by either: that, one true pixel left of it, and two said beyond it.
    assert shoot_overlap(truth, mask) == (6, 9)
    assert shoot_overlap(truth, mask[:3]) == (None, 0)


def test_cover_goal_takes_mean_and_interval(truth: PhotoTruth) -> None:
    errors = (0.01, -0.02, 0.0, 0.004)
    scores = [
        PhotoScore(truth, found=True, cover=ComparedValue(0.25 + error, 0.008, 0.25, 0.25))
        for error in errors
    ]
    assert line(scores, "cover, mean absolute").reached == "0.0085 (n = 4)"
    interval = line(scores, "cover, 95 % interval")
    assert (interval.reached, interval.met) == ("75.0% (3 of 4)", False)
    assert interval.error_share == pytest.approx(2.5)


def test_false_patches_count_on_clean_photos_alone(truth: PhotoTruth) -> None:
    clean = replace(truth, patches=(), root_hairs=True)
    scores = [PhotoScore(clean, found=True) for _ in range(49)]
    scores += [
        PhotoScore(clean, found=True, false_patches=2),
        PhotoScore(truth, found=True, false_patches=1),
    ]
    goal = line(scores, "clean photos")
    assert (goal.reached, goal.met) == ("1 of 50 (with root hairs 1 of 50)", True)
    assert line(scores[1:], "clean photos").met is False


def test_goal_without_photos_is_not_met_but_untold(truth: PhotoTruth) -> None:
    goals = accuracy_table([PhotoScore(truth, problem="no tag")])
    untold = {goal.what for goal in goals if goal.met is None}
    assert "colour of one tray under different white lights, ΔE2000, largest" in untold
    assert "cover, mean absolute error" in untold


def test_colours_are_compared_between_lights_of_one_scene(truth: PhotoTruth) -> None:
    # Pair 1 of Sharma, Wu and Dalal (2005), Color Research & Application 30:21-30, Table 1.
    one, other = (50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485)
    scores = [
        PhotoScore(truth, found=True, lab=one),
        PhotoScore(replace(truth, light="window"), found=True, lab=other),
        PhotoScore(replace(truth, light="grow"), found=True, lab=(90.0, 0.0, 0.0)),
        PhotoScore(replace(truth, scene="another", light="bulb"), found=True, lab=(9.0, 0.0, 0.0)),
    ]
    differences = colour_differences(scores)
    assert [difference for _, _, difference in differences] == [pytest.approx(2.0425, abs=1e-4)]


def run_of(truth: PhotoTruth, diameters_mm: list[float], found_on: int | None) -> list[PhotoScore]:
    run = []
    for day, diameter in enumerate(diameters_mm):
        patch = replace(truth.patches[0], diameter_mm=diameter)
        seen = PatchScore(patch, found=found_on is not None and day >= found_on)
        photo = truth.photo.with_name(f"day-{day}.jpg")
        dated = replace(truth, day=float(day), patches=(patch,), photo=photo)
        run.append(PhotoScore(dated, found=True, patches=(seen,)))
    return run


@pytest.mark.parametrize(("found_on", "in_time"), [(0, True), (2, True), (3, False), (None, False)])
def test_warning_must_come_by_the_photo_past_10_mm(
    truth: PhotoTruth, found_on: int | None, in_time: bool
) -> None:
    run = run_of(truth, [4.0, 10.0, 13.0, 30.0], found_on)
    assert warned_in_time(run) is in_time
    assert line(run, "series with mould").met is in_time


def test_small_mould_asks_for_no_warning_yet(truth: PhotoTruth) -> None:
    assert warned_in_time(run_of(truth, [4.0, 8.0, 10.0], None)) is None


def test_brier_score_of_worked_forecasts() -> None:
    # By hand: ((1 - 0.9)² + 0.3² + (1 - 0.6)²) / 3.
    forecasts = [Candidate(0.9, True), Candidate(0.3, False), Candidate(0.6, True)]
    assert brier_score(forecasts) == pytest.approx((0.01 + 0.09 + 0.16) / 3)
    assert brier_score([]) is None


def test_report_names_the_worst_first_and_repeats_to_the_byte(
    tmp_path: Path, truth: PhotoTruth
) -> None:
    scores = tuple(
        PhotoScore(
            replace(truth, photo=truth.photo.with_name(f"photo-{error:g}.jpg")),
            found=True,
            cover=ComparedValue(0.25 + error, 0.01, 0.25, 0.25),
            height=ComparedValue(26.0 + 90 * error, 2.0, 20.0, 30.0),
            corner_errors_px=(0.1, 0.2),
            patches=(PatchScore(truth.patches[0], found=error < 0.05),),
            candidates=(Candidate(0.8, True),),
        )
        for error in (0.01, 0.09, 0.03)
    )
    goals, cases = accuracy_table(scores), tuple(worst_cases(scores))
    assert [case.score.name for case in cases if case.kind == "cover"] == [
        "photo-0.09",
        "photo-0.03",
        "photo-0.01",
    ]
    written = []
    for name in ("first", "second"):
        plots = tuple(draw_plots(scores, goals, tmp_path / name))
        result = FolderResult(Path("sample"), scores, goals, plots, cases, {})
        pictures = b"".join(path.read_bytes() for _, path in plots)
        written.append((markdown([result], tmp_path / name), summary([result]), pictures))
    assert written[0] == written[1]
    assert "| mould of 8 mm and 16 px or more" in written[0][0]


def test_true_patch_counts_only_when_large_and_in_sight() -> None:
    patch = TruePatch("grey-green", 0.0, 0.0, 50.0, 8.0, 0.5, 0.26)
    assert PatchScore(patch, found=False).counts
    assert not PatchScore(replace(patch, mm_per_px=0.51), found=False).counts
    assert not PatchScore(replace(patch, visible_share=0.25), found=False).counts
    assert not PatchScore(replace(patch, diameter_mm=7.9, mm_per_px=0.1), found=False).counts
