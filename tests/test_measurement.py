import pytest

from trayvision.measurement import Measurement, give_or_take


def test_interval_is_95_percent_of_a_normal_distribution() -> None:
    # JCGM 100:2008, Table G.1 (coverage factor for 95 % of a normal distribution: 1.960).
    assert Measurement(10.0, 2.0, "mm").interval95() == pytest.approx((6.08, 13.92))


def test_what_is_given_or_taken_is_half_of_that_interval_and_never_nothing() -> None:
    assert [give_or_take(2.0), give_or_take(0.02, 2), give_or_take(0.3)] == ["4", "0.04", "1"]
    assert [give_or_take(0.0), give_or_take(0.2)] == ["less than 1", "less than 1"]
    assert give_or_take(0.001, 1) == "less than 0.1"


def test_unknown_has_a_reason_and_no_interval() -> None:
    unknown = Measurement.unknown("mm", "no_tags")
    assert unknown.value is None
    assert unknown.interval95() is None


@pytest.mark.parametrize(
    ("value", "uncertainty", "reason", "message"),
    [
        (1.0, None, None, "both be given or both be None, got 1.0 and None"),
        (None, 1.0, None, "both be given or both be None, got None and 1.0"),
        (None, None, None, "reason must name a doubt"),
        (float("nan"), 1.0, None, "must be finite, got nan"),
        (1.0, float("inf"), None, "must be finite, got 1.0 ± inf"),
        (1.0, -0.1, None, "must not be negative, got -0.1"),
    ],
)
def test_bad_measurement_is_refused(
    value: float | None, uncertainty: float | None, reason: str | None, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        Measurement(value, uncertainty, "mm", reason)
