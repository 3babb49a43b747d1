import numpy as np
import pytest
from skimage.color import rgb2lab

from tests.measures.plans import COLOURS, disc, planted
from trayvision.measures.canopy_cover import measure_cover
from trayvision.measures.evenness import Evenness, measure_evenness
from trayvision.segmentation.pixel_classes import TrayClass

ROWS, COLUMNS = 250, 400


def evenness_of(classes: np.ndarray, day: float | None) -> Evenness:
    plan = planted(classes)
    return measure_evenness(plan, measure_cover(plan), day=day)


def test_variation_of_a_tray_of_two_halves() -> None:
    # Half the cells at cover 1, half at 0.5: mean 0.75, standard deviation 0.25 by hand, times
    # sqrt(n / (n - 1)) for the sample of 40 cells.
    classes = np.full((ROWS, COLUMNS), int(TrayClass.SHOOT))
    classes[::2, 200:] = TrayClass.BED
    variation = evenness_of(classes, 6).cover_variation
    assert variation.value == pytest.approx(0.25 / 0.75 * np.sqrt(40 / 39), rel=1e-3)


def test_even_tray_does_not_vary() -> None:
    variation = evenness_of(np.full((ROWS, COLUMNS), int(TrayClass.SHOOT)), 6).cover_variation
    assert variation.value == pytest.approx(0.0, abs=1e-9)


def test_floor_showing_through_the_seed_is_marked() -> None:
    bed = np.full((ROWS, COLUMNS), int(TrayClass.BED))
    found = evenness_of(disc(bed, x_mm=-60, y_mm=40, diameter_mm=40, value=TrayClass.BARE_TRAY), 0)
    (floor,) = found.bare_floor
    assert (floor.x_mm, floor.y_mm) == pytest.approx((-60, 40), abs=1.5)
    assert floor.area_mm2 == pytest.approx(np.pi * 400, rel=0.1)
    assert found.seed_layer.value == pytest.approx(1 - np.pi * 400 / (ROWS * COLUMNS), abs=2e-3)


def test_bare_area_is_marked_only_after_day_4() -> None:
    grown = np.full((ROWS, COLUMNS), int(TrayClass.SHOOT))
    holed = disc(grown, x_mm=80, y_mm=-50, diameter_mm=60, value=TrayClass.BED)
    assert evenness_of(holed, 3).bare_areas == ()
    (bare,) = evenness_of(holed, 5).bare_areas
    assert (bare.x_mm, bare.y_mm) == pytest.approx((80, -50), abs=2)
    assert bare.area_mm2 == pytest.approx(np.pi * 900, rel=0.3)


def test_unsprouted_tray_has_no_cover_to_vary() -> None:
    found = evenness_of(np.full((ROWS, COLUMNS), int(TrayClass.BED)), 1)
    assert found.cover_variation.reason == "no_shoots"
    assert found.seed_layer.value == pytest.approx(1.0)


def test_variation_of_colour_is_that_of_b_star_between_the_cells() -> None:
    # Half of the cells green, half yellowish: CIELAB by scikit-image.
    grown = np.full((ROWS, COLUMNS), int(TrayClass.SHOOT))
    colours = np.empty((ROWS, COLUMNS, 3), dtype=np.uint8)
    colours[:], colours[:, 200:] = (80, 140, 50), (170, 165, 60)
    green, yellow = (rgb2lab(np.array([[c]]) / 255.0)[0, 0, 2] for c in colours[0, [0, -1]])
    plan = planted(grown, colours=colours)
    found = measure_evenness(plan, measure_cover(plan), day=6).colour_variation
    assert found.value == pytest.approx(abs(yellow - green) / 2 * np.sqrt(40 / 39), abs=0.6)
    # What grows apart from shoots has no say: a bed of another colour changes nothing.
    mixed = grown.copy()
    mixed[::2] = TrayClass.BED
    colours[::2] = COLOURS[TrayClass.BED]
    plan = planted(mixed, colours=colours)
    striped = measure_evenness(plan, measure_cover(plan), day=6).colour_variation
    assert striped.value == pytest.approx(found.value, abs=0.1)


def test_variation_is_as_sure_as_the_number_of_cells_lets_it_be() -> None:
    # How far the standard deviations of 40 drawn normal values scatter about their own mean.
    spreads = np.random.default_rng(3).standard_normal((20_000, 40)).std(axis=1, ddof=1)
    classes = np.full((ROWS, COLUMNS), int(TrayClass.SHOOT))
    classes[::2, 200:] = TrayClass.BED
    variation = evenness_of(classes, 6).cover_variation
    assert variation.value is not None and variation.uncertainty is not None
    assert variation.uncertainty / variation.value == pytest.approx(spreads.std(), rel=0.03)


def test_seed_on_the_floor_is_less_sure_the_more_of_it_shows() -> None:
    seeded = np.full((ROWS, COLUMNS), int(TrayClass.BED))
    uncertainties = []
    for rows in (0, 25, 125):
        classes = seeded.copy()
        classes[:rows] = TrayClass.BARE_TRAY
        layer = evenness_of(classes, 0).seed_layer
        assert layer.value == pytest.approx(1 - rows / ROWS)
        assert layer.uncertainty is not None
        uncertainties.append(layer.uncertainty)
    # Even a floor of which nothing shows is not known beyond the last seed.
    assert 0 < uncertainties[0] < uncertainties[1] < uncertainties[2] < 0.1


@pytest.mark.parametrize(("width_mm", "gaps"), [(6, 0), (25, 1)])
def test_the_foot_of_a_wall_is_no_gap_in_the_seed(width_mm: int, gaps: int) -> None:
    classes = np.full((ROWS, COLUMNS), int(TrayClass.BED))
    classes[:, -width_mm:] = TrayClass.BARE_TRAY
    assert len(evenness_of(classes, 0).bare_floor) == gaps


# A place is bare beside what is usual on this tray: a tenth covered is thin where all else is full,
# and hardly thinner than a tray of which a third is covered.
@pytest.mark.parametrize(("shoots_every", "bare"), [(1, 1), (3, 0)])
def test_a_place_is_bare_beside_the_rest_of_its_tray(shoots_every: int, bare: int) -> None:
    classes = np.full((ROWS, COLUMNS), int(TrayClass.BED))
    classes[:, ::shoots_every] = TrayClass.SHOOT
    classes[80:170, 120:250] = TrayClass.BED
    classes[80:170, 120:250:10] = TrayClass.SHOOT
    assert len(evenness_of(classes, 6).bare_areas) == bare


@pytest.mark.parametrize(
    ("day", "shoots_every", "bare"), [(4.0, 1, 0), (4.1, 1, 1), (None, 2, 1), (None, 4, 0)]
)
def test_bare_areas_are_asked_of_a_tray_that_should_have_closed(
    day: float | None, shoots_every: int, bare: int
) -> None:
    # Where nobody knows its day, a tray of which a third is covered should have.
    classes = np.full((ROWS, COLUMNS), int(TrayClass.BED))
    classes[:, ::shoots_every] = TrayClass.SHOOT
    holed = disc(classes, x_mm=80, y_mm=-50, diameter_mm=60, value=TrayClass.BED)
    assert len(evenness_of(holed, day).bare_areas) == bare
