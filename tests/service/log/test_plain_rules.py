"""Broken rules are said in plain words, with what came; a model's own words stay as they are."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, Literal

import pytest
from pydantic import AfterValidator, AwareDatetime, BaseModel, Field, TypeAdapter, ValidationError

from service.log.plain_rules import rule_in_words


class Grain(StrEnum):
    BARLEY = "barley"
    WHEAT = "wheat"
    OATS = "oats"


class Named(BaseModel, extra="forbid"):
    name: str


def own_rule(value: int) -> int:
    raise ValueError(f"must be even, got {value}")


def broken(kind: Any, came: Any) -> str:
    with pytest.raises(ValidationError, match="validation error") as caught:
        TypeAdapter(kind).validate_python(came)
    (error,) = caught.value.errors()
    return rule_in_words(dict(error))


@pytest.mark.parametrize(
    ("kind", "came", "rule"),
    [
        (Annotated[int, Field(gt=0)], -1, "must be more than 0, got -1"),
        (Annotated[float, Field(ge=0.5)], 0, "must be 0.5 or more, got 0"),
        (Annotated[float, Field(le=95)], 96, "must be 95 or less, got 96"),
        (Annotated[int, Field(lt=5)], 5, "must be less than 5, got 5"),
        (float, "soon", "must be a number, got 'soon'"),
        (float, None, "must be a number"),
        (int, "1.5", "must be a whole number, got '1.5'"),
        (int, 1.5, "must be a whole number, got 1.5"),
        (bool, "perhaps", "must be yes or no, got 'perhaps'"),
        (Grain, "rye", "must be 'barley', 'wheat' or 'oats', got 'rye'"),
        (Literal["before", "after"], "during", "must be 'before' or 'after', got 'during'"),
        (datetime, "soon", "must be a date with a time, such as 2026-03-02 07:30, got 'soon'"),
        (date, "soon", "must be a date, such as 2026-03-02, got 'soon'"),
        (AwareDatetime, datetime(2026, 3, 2), "must say its offset, such as +01:00"),  # noqa: DTZ001
        (Annotated[str, Field(min_length=1)], "", "must have at least 1 character, got ''"),
        (Annotated[str, Field(max_length=2)], "abc", "must have at most 2 characters, got 'abc'"),
        (Annotated[list[int], Field(max_length=1)], [1, 2], "must have at most 1 entry"),
        (Named, {}, "must be given"),
        (Named, {"name": "a", "colour": 1}, "is not known here and must be left out, got 1"),
        (str, 5, "must be text, got 5"),
        (list[int], 3, "must be a list, got 3"),
    ],
)
def test_rule_is_said_in_plain_words(kind: Any, came: Any, rule: str) -> None:
    assert broken(kind, came) == rule


def test_words_of_a_models_own_stay() -> None:
    assert broken(Annotated[int, AfterValidator(own_rule)], 3) == "must be even, got 3"


def test_rule_that_has_no_plain_words_keeps_its_own() -> None:
    assert broken(complex, "much").startswith("Input should be a valid python complex object")
