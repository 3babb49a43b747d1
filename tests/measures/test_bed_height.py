import pytest

from trayvision.measurement import Measurement
from trayvision.measures.bed_height import FirstReading, measured_bed_height


def reading(height: float, uncertainty: float = 2.0, cover: float | None = 0.0) -> FirstReading:
    return FirstReading(Measurement(height, uncertainty, "mm"), cover)


def test_bed_is_the_weighted_mean_of_the_first_photos() -> None:
    # Weights 1/9 and 1/36: four parts of 10 and one of 15.
    bed = measured_bed_height([reading(10.0, 3.0), reading(15.0, 6.0)])
    assert bed is not None
    assert bed.value == pytest.approx(11.0)
    assert bed.uncertainty == pytest.approx((1 / 9 + 1 / 36) ** -0.5)


def test_many_photos_of_one_place_are_no_surer_than_the_samples_show() -> None:
    bed = measured_bed_height([reading(12.0)] * 50)
    assert bed is not None
    assert bed.value == pytest.approx(12.0)
    assert bed.uncertainty == 2.1


@pytest.mark.parametrize(
    "other",
    [
        reading(40.0, cover=0.3),
        reading(31.0),
        FirstReading(Measurement.unknown("mm", "strip_not_seen"), 0.0),
    ],
    ids=["shoots", "no bed is that high", "strip not seen"],
)
def test_photos_that_show_no_bare_seed_are_left_out(other: FirstReading) -> None:
    assert measured_bed_height([other]) is None
    alone = measured_bed_height([reading(12.0, cover=None)])
    assert measured_bed_height([other, reading(12.0)]) == alone
