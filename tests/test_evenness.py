import numpy as np
import pytest

from tests.plans import disc, planted
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
