"""Numbers as people type them: with a point or a comma, and never by a thousand amiss."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import FormData

from service.log.refusals import Refusal
from service.pages.forms.forms import Typed, decimal
from service.pages.set_up.fields import typed_size


@pytest.mark.parametrize(
    ("typed", "number"),
    [("0,500", 0.5), ("1,25", 1.25), ("1.200", 1.2), ("12", 12.0), ("1200,5", 1200.5), ("-3", -3)],
)
def test_what_can_be_read_in_one_way_is_taken(typed: str, number: float) -> None:
    assert Typed(FormData({"weight": typed})).number("weight") == number


@pytest.mark.parametrize(
    ("typed", "readings"),
    [
        ("1,200", "1,200 is 1200 to some and 1.2 to others. Write 1200 or 1.2"),
        ("25,000", "25,000 is 25000 to some and 25 to others. Write 25000 or 25.0"),
    ],
)
def test_both_readings_of_a_doubtful_comma_are_named(typed: str, readings: str) -> None:
    with pytest.raises(Refusal, match="in one way only") as caught:
        Typed(FormData({"weight": typed})).number("weight")
    assert caught.value.field == "weight"
    assert caught.value.rule.endswith(readings)


@given(whole=st.integers(1, 999), after=st.text("0123456789", min_size=1, max_size=6))
def test_a_comma_is_doubtful_with_three_digits_after_it_alone(whole: int, after: str) -> None:
    typed = f"{whole},{after}"
    if len(after) != 3:
        assert decimal("weight", typed) == float(f"{whole}.{after}")
        return
    with pytest.raises(Refusal, match="in one way only") as caught:
        decimal("weight", typed)
    large, small = caught.value.rule.rpartition("Write ")[2].split(" or ")
    # Either can be typed in its place, and they are a thousand apart.
    assert decimal("weight", large) == pytest.approx(1000 * decimal("weight", small))


@given(number=st.floats(0, 999_999).map(lambda one: round(one, 3)), sign=st.sampled_from(".,"))
def test_no_number_is_taken_for_another(number: float, sign: str) -> None:
    typed = f"{number:.3f}".replace(".", sign)
    try:
        assert decimal("weight", typed) == number
    except Refusal:
        assert sign == ","


def test_a_side_of_a_tray_is_asked_about_too() -> None:
    with pytest.raises(Refusal, match="1,200 is 1200 to some"):
        typed_size(Typed(FormData({"tray_size": "1,200x600x50"})))
