"""What the overlay draws lies where it was measured, and can be read."""

from dataclasses import replace
from math import pi
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw, ImageFont

from tests.score.scored_trays import healthy
from trayvision.camera.camera import Camera
from trayvision.inspection.inspection import Inspection, TrayInspection
from trayvision.light.colour_correction import measure_light
from trayvision.measurement import Measurement
from trayvision.measures.bed_height import ASSUMED_BED_HEIGHT
from trayvision.measures.canopy_colour import CanopyColour
from trayvision.measures.canopy_cover import CanopyCover
from trayvision.measures.canopy_height import CanopyHeight
from trayvision.measures.evenness import Area, Evenness
from trayvision.measures.mould import MouldPatch, MouldReading
from trayvision.overlay.marks import Label, LabelBoard, hatch
from trayvision.overlay.overlay import draw_overlay, ring_around
from trayvision.overlay.panel import NEVER_SEEN, draw_panel
from trayvision.overlay.text import (
    BODY_SHARE,
    HOLD_RED,
    INK,
    MUTED,
    PAPER,
    STRAW,
    Colour,
    Type,
    printable,
)
from trayvision.photo.photo import Photo
from trayvision.pose.rectification import PlanGrid
from trayvision.pose.tray_pose import TrayPose, TrayProblem
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize
from trayvision.score.health_score import Attention, score_tray
from trayvision.score.scored_measures import ScoredMeasures
from trayvision.segmentation.pixel_classes import CLASS_COUNT
from trayvision.segmentation.segmentation import ClassShares
from trayvision.segmentation.tray_plan import TrayPlan
from trayvision.synthetic.tray import View, as_photo

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]

SIZE = TraySize(400.0, 250.0, 50.0)
CAMERA = Camera(width=1240, height=900, fx=1150.0, fy=1150.0, cx=610.0, cy=455.0)
TALL_CAMERA = Camera(width=900, height=1240, fx=1000.0, fy=1000.0, cx=455.0, cy=610.0)
BED_Z_MM = -36.0
# Shown beside a tray, a tray that could not be placed keeps the whole photo in the picture.
ELSEWHERE = TrayProblem(9, (Doubt.ONE_TAG_ONLY,), Doubt.ONE_TAG_ONLY.sentence)


def oblique(camera: Camera = CAMERA) -> TrayPose:
    view = View.looking_at([-230.0, -160.0, 620.0], [20.0, 10.0, 0.0])
    return TrayPose(
        number=17,
        size=SIZE,
        camera=camera,
        rotation=view.rotation,
        translation_mm=view.translation_mm,
        tags=(),
        reprojection_rms_px=0.1,
        covariance=np.eye(6) * 1e-6,
    )


def photo_of(pose: TrayPose) -> Photo:
    """Noise that is like none of the inks; where the tray lies is the pose's word."""
    rng = np.random.default_rng(3)
    size = (pose.camera.height, pose.camera.width, 3)
    return as_photo(rng.integers(95, 146, size, dtype=np.uint8))


def patch(x_mm: float, y_mm: float, diameter_mm: float, likelihood: float) -> MouldPatch:
    turn = np.linspace(0, 2 * pi, 24, endpoint=False)
    circle = diameter_mm / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    area = pi * diameter_mm**2 / 4
    return MouldPatch(
        x_mm=x_mm,
        y_mm=y_mm,
        area_mm2=area,
        area_uncertainty_mm2=0.1 * area,
        visible_area_mm2=area,
        diameter_mm=diameter_mm,
        outline_mm=circle + [x_mm, y_mm],
        look="white fuzz",
        likelihood=likelihood,
        confusions=("root hairs",),
    )


def square(x_mm: float, y_mm: float, side_mm: float) -> Area:
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side_mm / 2
    return Area(x_mm, y_mm, side_mm**2, corners + [x_mm, y_mm])


def unknown(unit: str = "1", reason: Doubt = Doubt.TOO_LITTLE_SEEN) -> Measurement:
    return Measurement.unknown(unit, reason)


def plan_of(grid: PlanGrid, z_mm: float) -> TrayPlan:
    rows, columns = grid.shape
    shares = np.zeros((CLASS_COUNT, rows, columns), dtype=np.float32)
    shares[2] = 1
    return TrayPlan(
        grid=grid,
        shares=shares,
        colours=np.full((rows, columns, 3), 120, dtype=np.uint8),
        judged=np.ones((rows, columns), dtype=bool),
        zenith_tan=np.zeros((rows, columns), dtype=np.float32),
        z_mm=z_mm,
    )


def segmented() -> ClassShares:
    """A crop at half the photo's working size, cut out from 40 px right and 20 px down."""
    rows, columns = 300, 480
    blank = np.zeros((rows, columns, 3), dtype=np.uint8)
    crop_to_working = np.array([[2.0, 0.0, 40.5], [0.0, 2.0, 20.5], [0.0, 0.0, 1.0]])
    return ClassShares(
        shoot=np.zeros((rows, columns), dtype=np.float32),
        among_others=np.zeros((CLASS_COUNT, rows // 2, columns // 2), dtype=np.float32),
        pixels=blank,
        corrected=blank,
        crop_to_working=crop_to_working,
        photo_to_crop=np.linalg.inv(crop_to_working)[:2],
    )


def inspected(
    photo: Photo,
    pose: TrayPose | None,
    *,
    patches: tuple[MouldPatch, ...] = (),
    height_mm: Measurement | None = None,
    **changes: Any,
) -> TrayInspection:
    """A tray of which nothing is known but what is given."""
    crop = segmented()
    grid = PlanGrid(480.0, 300.0, 1.0) if pose is None else PlanGrid.over(SIZE, 1.0)
    plan = plan_of(grid, 0.0 if pose is None else BED_Z_MM)
    nothing = unknown()
    height = height_mm or unknown("mm", Doubt.STRIP_NOT_SEEN)
    measures = ScoredMeasures(
        day=5.0,
        cover=nothing,
        shoot_height_mm=height,
        yellow_share=nothing,
        dark_green_colour_index=nothing,
        cover_variation=nothing,
        seed_layer=nothing,
        bare_share=0.0,
        slime_share=0.0,
        patches=patches,
        fuzz=0.0,
        seen=1.0,
        doubts=(),
        in_mm=pose is not None,
    )
    tray = TrayInspection(
        number=None if pose is None else pose.number,
        day=5.0,
        pose=pose,
        segmented=crop,
        plan=plan,
        cover=CanopyCover(nothing, None, np.empty((0, 0)), 12.0),
        height=CanopyHeight(height, height, ASSUMED_BED_HEIGHT, ()),
        colour=CanopyColour.unknown(Doubt.TOO_LITTLE_SEEN),
        evenness=Evenness(nothing, nothing, nothing, (), ()),
        mould=MouldReading(patches, 0.0, ()),
        sharpness=None,
        light=measure_light(photo, None),
        score=score_tray(measures),
        doubts=(),
    )
    return replace(tray, **changes)


def whole(photo: Photo, *trays: TrayInspection) -> Inspection:
    return Inspection(photo, trays, (ELSEWHERE,))


def on_overlay(picture: Picture, pose: TrayPose, points_mm: FloatArray) -> FloatArray:
    """Where points of the tray must lie when the whole photo is shown."""
    scale = picture.shape[1] / pose.camera.width
    return np.asarray((pose.project(points_mm) + 0.5) * scale - 0.5)


def photo_part(picture: Picture, photo: Photo) -> Picture:
    return picture[: round(picture.shape[1] * photo.height / photo.width)]


def near(picture: Picture, colour: Colour, tolerance: int = 40) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(picture.astype(int) - colour).max(axis=-1) <= tolerance)


def colours_along(mask: npt.NDArray[np.bool_], points: FloatArray) -> npt.NDArray[np.bool_]:
    columns, rows = np.rint(points).astype(int).T
    return np.asarray(mask[rows, columns])


class TestPlace:
    @pytest.mark.parametrize(("x_mm", "y_mm"), [(-120.0, 60.0), (40.0, -20.0), (130.0, -70.0)])
    @pytest.mark.parametrize("camera", [CAMERA, TALL_CAMERA], ids=["landscape", "portrait"])
    def test_ring_lies_around_the_patch(self, camera: Camera, x_mm: float, y_mm: float) -> None:
        pose = oblique(camera)
        photo = photo_of(pose)
        tray = inspected(photo, pose, patches=(patch(x_mm, y_mm, 30.0, 0.9),))
        picture = draw_overlay(whole(photo, tray))
        red = near(picture, HOLD_RED)
        for turn in np.linspace(0, 2 * pi, 12, endpoint=False):
            reach = np.arange(0.0, 24.0, 0.25)[:, None]
            ray = [x_mm, y_mm, BED_Z_MM] + reach * [np.cos(turn), np.sin(turn), 0.0]
            crossed = colours_along(red, on_overlay(picture, pose, ray))
            assert not crossed[reach[:, 0] < 14.0].any()
            assert crossed[reach[:, 0] >= 14.0].any()

    def test_ring_of_a_whole_photo_lies_around_the_patch(self) -> None:
        photo = photo_of(oblique())
        # The plan of a whole photo counts crop pixels; (100, -50) is column 339.5, row 199.5.
        tray = inspected(photo, None, patches=(patch(100.0, -50.0, 24.0, 0.9),))
        picture = draw_overlay(Inspection(photo, (tray,), ()))
        scale = picture.shape[1] / photo.width
        at_photo = np.array([2 * 339.5 + 40.5, 2 * 199.5 + 20.5])
        expected = (at_photo + 0.5) * scale - 0.5
        rows, columns = np.nonzero(near(photo_part(picture, photo), HOLD_RED))
        distance = np.hypot(columns - expected[0], rows - expected[1])
        # The badge's square is red too, and lies outside the ring.
        ring = distance < 1.4 * 2 * 15.0 * scale
        assert ring.sum() > 50
        assert distance[ring].min() > 2 * 12.0 * scale
        centre = np.array([columns[ring].mean(), rows[ring].mean()])
        assert np.hypot(*(centre - expected)) < 2.0

    def test_height_is_ticked_on_the_strip(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        height = Measurement(85.0, 3.0, "mm")
        picture = draw_overlay(whole(photo, inspected(photo, pose, height_mm=height)))
        rows, columns = np.nonzero(near(photo_part(picture, photo), STRAW, 12))
        middle = on_overlay(picture, pose, SIZE.strip_points_mm(np.array([85.0]), np.zeros(1)))
        assert np.hypot(columns.mean() - middle[0, 0], rows.mean() - middle[0, 1]) < 3.0

    def test_unknown_height_is_not_ticked(self) -> None:
        photo = photo_of(oblique())
        picture = draw_overlay(whole(photo, inspected(photo, oblique())))
        assert not near(photo_part(picture, photo), STRAW, 12).any()

    def test_rim_is_outlined(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        picture = draw_overlay(whole(photo, inspected(photo, pose)))
        along = np.linspace(0.15, 0.85, 9)[:, None]
        corners = SIZE.opening_mm
        # The side towards bar A is left out: the tray's name stands on it.
        for start, end in ((0, 1), (1, 2), (2, 3)):
            points = corners[start] + along * (corners[end] - corners[start])
            at = on_overlay(picture, pose, points)
            assert colours_along(near(picture, PAPER, 12), at).mean() > 0.7

    def test_unjudged_place_is_hatched_and_no_other(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        plan = plan_of(PlanGrid.over(SIZE, 1.0), BED_Z_MM)
        plan.judged[150:210, 250:330] = False
        clear = draw_overlay(whole(photo, inspected(photo, pose)))
        hatched = draw_overlay(whole(photo, inspected(photo, pose, plan=plan)))
        height = photo_part(clear, photo).shape[0]
        changed = (clear[:height] != hatched[:height]).any(axis=-1)
        columns, rows = np.meshgrid(np.arange(256, 324, 2.0), np.arange(156, 204, 2.0))
        x, y = plan.grid.to_mm(columns.ravel(), rows.ravel())
        inside = on_overlay(clear, pose, np.column_stack([x, y, np.full(len(x), BED_Z_MM)]))
        assert 0.2 < colours_along(changed, inside).mean() < 0.6
        far = np.column_stack([np.linspace(-150, -60, 50), np.full(50, 60.0), np.full(50, -36.0)])
        assert not colours_along(changed, on_overlay(clear, pose, far)).any()

    def test_bare_area_is_marked(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        bare = Evenness(unknown(), unknown(), unknown(), (), (square(-60.0, 40.0, 50.0),))
        clear = draw_overlay(whole(photo, inspected(photo, pose)))
        marked = draw_overlay(whole(photo, inspected(photo, pose, evenness=bare)))
        height = photo_part(clear, photo).shape[0]
        changed = (clear[:height] != marked[:height]).any(axis=-1)
        spread = np.linspace(-20.0, 20.0, 21)
        x, y = (axis.ravel() for axis in np.meshgrid(-60.0 + spread, 40.0 + spread))
        inside = on_overlay(clear, pose, np.column_stack([x, y, np.full(len(x), BED_Z_MM)]))
        assert colours_along(changed, inside).mean() > 0.25

    def test_photo_is_cut_to_the_trays_that_were_measured(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        tray = inspected(photo, pose, patches=(patch(40.0, -20.0, 30.0, 0.9),))
        cut = draw_overlay(Inspection(photo, (tray,), ()))
        shown = draw_overlay(whole(photo, tray))
        # The same ring, larger in the picture: nothing of the photo but its margins is lost.
        share_cut = near(cut, HOLD_RED).any(axis=0).sum() / cut.shape[1]
        assert share_cut > near(shown, HOLD_RED).any(axis=0).sum() / shown.shape[1]


class TestAttention:
    def test_hold_is_red_and_a_look_is_not(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        held = inspected(photo, pose, patches=(patch(40.0, -20.0, 30.0, 0.9),))
        looked_at = inspected(photo, pose, patches=(patch(40.0, -20.0, 30.0, 0.3),))
        assert near(draw_overlay(whole(photo, held)), HOLD_RED, 5).sum() > 500
        assert not near(draw_overlay(whole(photo, looked_at)), HOLD_RED, 5).any()

    def test_unlikely_patch_is_not_marked(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        unlikely = inspected(photo, pose, patches=(patch(40.0, -20.0, 30.0, 0.1),))
        nothing = inspected(photo, pose)
        height = photo_part(draw_overlay(whole(photo, nothing)), photo).shape[0]
        assert np.array_equal(
            draw_overlay(whole(photo, unlikely))[:height],
            draw_overlay(whole(photo, nothing))[:height],
        )

    def test_levels_differ_without_colour(self) -> None:
        pictures = []
        for attention in Attention:
            photo = photo_of(oblique())
            tray = inspected(photo, oblique())
            score = replace(tray.score, attention=attention, suggestions=())
            panel = draw_panel(whole(photo, replace(tray, score=score)), 1000)
            pictures.append(np.asarray(Image.fromarray(panel).convert("L"))[60:120])
        for one, other in ((0, 1), (0, 2), (1, 2)):
            assert (np.abs(pictures[one].astype(int) - pictures[other]) > 60).sum() > 500


class TestPicture:
    @pytest.mark.parametrize("camera", [CAMERA, TALL_CAMERA], ids=["landscape", "portrait"])
    def test_panel_lies_below_the_photo(self, camera: Camera) -> None:
        pose = oblique(camera)
        photo = photo_of(pose)
        picture = draw_overlay(whole(photo, inspected(photo, pose)))
        height, width, channels = picture.shape
        assert picture.dtype == np.uint8
        assert channels == 3
        assert width == round(max(1000, min(1600, 1240)) * camera.width / 1240)
        assert height > photo_part(picture, photo).shape[0] + 0.3 * width
        assert tuple(picture[-2, 2]) == PAPER

    def test_same_inspection_same_bytes(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        tray = inspected(photo, pose, patches=(patch(40.0, -20.0, 30.0, 0.9),))
        inspection = whole(photo, tray)
        before = photo.pixels.copy()
        assert draw_overlay(inspection).tobytes() == draw_overlay(inspection).tobytes()
        assert np.array_equal(photo.pixels, before)

    def test_many_patches_and_trays_fit(self) -> None:
        pose = oblique()
        photo = photo_of(pose)
        patches = tuple(
            patch(x, y, 12.0, 0.95 - 0.01 * i)
            for i, (x, y) in enumerate((x, y) for x in (-150.0, 0.0, 150.0) for y in (-80.0, 80.0))
        )
        tray = inspected(photo, pose, patches=patches, height_mm=Measurement(85.0, 3.0, "mm"))
        one = draw_overlay(Inspection(photo, (tray,), ()))
        two = draw_overlay(Inspection(photo, (tray, replace(tray, number=18)), ()))
        assert two.shape[0] > 1.3 * one.shape[0]

    def test_photo_without_trays_says_so(self) -> None:
        photo = photo_of(oblique())
        assert draw_overlay(Inspection(photo, (), ())).shape[1] == 1240
        assert draw_overlay(Inspection(photo, (), (ELSEWHERE,))).shape[1] == 1240

    def test_nothing_known_is_drawn_all_the_same(self) -> None:
        photo = photo_of(oblique())
        for pose in (oblique(), None):
            tray = inspected(photo, pose, day=None)
            assert tray.score.value is None
            assert draw_overlay(Inspection(photo, (tray,), ())).shape[2] == 3


class TestWords:
    @pytest.fixture
    def said(self, monkeypatch: pytest.MonkeyPatch) -> list[str]:
        """All that is written from now on."""
        lines: list[str] = []
        monkeypatch.setattr(Type, "draw", lambda *where, **_: lines.append(where[3]))
        return lines

    def test_points_and_their_sum_give_the_score(self, said: list[str]) -> None:
        photo = photo_of(oblique())
        score = score_tray(healthy(patches=(patch(0.0, 0.0, 8.0, 0.3),), bare_share=0.08))
        assert (score.value, score.cap) == (70, 70)
        draw_panel(whole(photo, inspected(photo, oblique(), score=score)), 1000)
        assert {"70", "-12.6", "-2", "=70"} <= set(said)
        words = " ".join(said)
        assert "14.6 of 100 points are off, which leaves 85." in words
        assert "Possible mould (unlikely, 3 in 10) allows at most 70." in words
        assert score.uncertainty is not None
        assert f"of 100 points, give or take {1.96 * score.uncertainty:.0f}." in words

    def test_what_could_not_be_told_stands_beside_the_score(self, said: list[str]) -> None:
        photo = photo_of(oblique())
        score = score_tray(healthy(shoot_height_mm=unknown("mm", Doubt.STRIP_NOT_SEEN)))
        draw_panel(whole(photo, inspected(photo, oblique(), score=score)), 1000)
        assert f"{score.lowest} to 100 with what could not be told." in " ".join(said)

    def test_no_points_are_taken_off_no_score(self, said: list[str]) -> None:
        photo = photo_of(oblique())
        measures = healthy(
            patches=(patch(0.0, 0.0, 30.0, 0.6),), doubts=(Doubt.NO_KIT,), in_mm=False
        )
        tray = inspected(photo, None, score=score_tray(measures))
        draw_panel(Inspection(photo, (tray,), ()), 1000)
        assert not [line for line in said if line.startswith(("-", "="))]
        assert "Whether cover 80 % is usual cannot be told." in said
        assert "Height, evenness and wetness cannot be told." in said


def relative_luminance(colour: Colour) -> float:
    # WCAG 2.1, definition of relative luminance (2018).
    channels = np.array(colour) / 255
    linear = np.where(channels <= 0.03928, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: Colour, other: Colour) -> float:
    high, low = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


class TestLegibility:
    def test_contrast_formula(self) -> None:
        # WCAG 2.1: black on white is 21:1. Grey 118 on white is 4.54:1, the lightest grey that
        # passes 4.5:1 (from memory).
        assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
        assert contrast((118, 118, 118), (255, 255, 255)) == pytest.approx(4.54, abs=0.005)

    @pytest.mark.parametrize("ink", [INK, MUTED, HOLD_RED])
    def test_text_has_a_contrast_of_seven(self, ink: Colour) -> None:
        assert contrast(ink, PAPER) >= 7

    @pytest.mark.parametrize("width", [640, 1000, 1240, 1600])
    def test_letters_are_tall_enough_for_a_phone(self, width: int) -> None:
        canvas = Image.new("RGB", (200, 200))
        type_ = Type(round(BODY_SHARE * width))
        type_.draw(ImageDraw.Draw(canvas), (20, 20), "H", fill=(255, 255, 255))
        rows = (np.asarray(canvas) > 128).any(axis=(1, 2)).sum()
        assert rows >= 0.022 * width

    def test_every_sign_of_every_sentence_can_be_written(self) -> None:
        font = ImageFont.load_default(40)
        missing = bytes(font.getmask("\u0378"))
        said = "".join(doubt.sentence for doubt in Doubt) + NEVER_SEEN + "± %°–×²−"
        for sign in set(printable(said)) - {" "}:
            assert bytes(font.getmask(sign)) != missing, sign

    @given(st.lists(st.text("abcdefghij", min_size=1, max_size=12), max_size=30))
    def test_wrapped_lines_fit_and_keep_every_word(self, words: list[str]) -> None:
        type_ = Type(30)
        lines = type_.wrapped(" ".join(words), 300.0)
        assert " ".join(lines).split() == words
        assert all(type_.width(line) <= 300 or " " not in line for line in lines)

    @given(
        st.lists(
            st.tuples(st.floats(-50, 1050), st.floats(-50, 750), st.floats(0, 80)),
            min_size=1,
            max_size=6,
        )
    )
    def test_labels_stay_on_the_picture_and_apart(
        self, places: list[tuple[float, float, float]]
    ) -> None:
        board = LabelBoard((1000, 700), Type(33))
        canvas = ImageDraw.Draw(Image.new("RGB", (1000, 700)))
        for x, y, reach in places:
            label = Label(("15 mm", "likely"), (x, y), reach + 1, Attention.HOLD, "1")
            board.write(canvas, [label])
        for left, top, right, bottom in board.taken:
            assert left >= 0 and top >= 0 and right <= 1000 and bottom <= 700
        if len(places) == 2:
            one, other = board.taken
            across = min(one[2], other[2]) - max(one[0], other[0])
            down = min(one[3], other[3]) - max(one[1], other[1])
            assert across <= 0 or down <= 0


def cross(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


class TestMarks:
    @given(
        st.lists(
            st.tuples(st.floats(-300, 300), st.floats(-300, 300)), min_size=3, max_size=12
        ).map(np.array)
    )
    def test_ring_holds_every_point(self, outline: FloatArray) -> None:
        ring = ring_around(outline)
        centre = ring.mean(axis=0)
        edges = np.roll(ring, -1, axis=0) - ring
        for point in outline:
            inward = cross(edges, point - ring)
            side = cross(edges, centre - ring)
            # A polygon of 64 sides cuts 0.12 % off the ellipse it stands for.
            slack = 0.003 * np.abs(side) + 1e-6
            assert (inward * np.sign(side) >= -slack).all()

    def test_hatch_stays_inside(self) -> None:
        picture = np.full((90, 140, 3), 128, dtype=np.uint8)
        area = np.array([[20.0, 10.0], [90.0, 10.0], [90.0, 70.0], [20.0, 70.0]])
        within = np.array([[50.0, -40.0], [300.0, -40.0], [300.0, 200.0], [50.0, 200.0]])
        hatch(picture, [area], period=12.0, slopes=(1,), strength=0.8, within=within)
        rows, columns = np.nonzero((picture != 128).any(axis=-1))
        assert (columns.min(), columns.max()) == (50, 90)
        assert (rows.min(), rows.max()) == (10, 70)

    def test_hatch_leaves_holes_open(self) -> None:
        picture = np.full((100, 140, 3), 128, dtype=np.uint8)
        area = np.array([[10.0, 10.0], [120.0, 10.0], [120.0, 90.0], [10.0, 90.0]])
        hole = np.array([[40.0, 30.0], [80.0, 30.0], [80.0, 70.0], [40.0, 70.0]])
        hatch(picture, [area, hole], period=12.0, slopes=(1, -1), strength=0.8)
        assert (picture[33:67, 43:77] == 128).all()
        assert (picture != 128).any()

    def test_hatch_off_the_picture_or_nowhere_draws_nothing(self) -> None:
        picture = np.full((90, 140, 3), 128, dtype=np.uint8)
        off = np.array([[200.0, 10.0], [290.0, 10.0], [290.0, 70.0]])
        hatch(picture, [off, np.full((3, 2), np.nan)], period=12.0, slopes=(1,), strength=0.8)
        assert (picture == 128).all()
