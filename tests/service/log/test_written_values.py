"""Cells of CSV files give back what was written, and no spreadsheet takes a text for a formula."""

import csv
import io
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from service.log.sql_types import Id, Json, Moment
from service.log.written_values import cell, from_cell, from_json, json_value, row_cells
from tests.service.generated_logs import NASTY_TEXTS, moments, numbers, texts

_COLUMNS = sa.Table(
    "things",
    sa.MetaData(),
    sa.Column("text", sa.Text),
    sa.Column("moment", Moment()),
    sa.Column("number", sa.Float),
    sa.Column("id", Id),
    sa.Column("whether", sa.Boolean),
    sa.Column("record", Json),
)
_json = st.recursive(
    st.booleans() | st.integers(-(2**53), 2**53) | numbers | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
)
_rows = st.fixed_dictionaries(
    {
        "text": st.none() | texts | st.sampled_from(NASTY_TEXTS),
        "moment": st.none() | moments,
        "number": st.none() | numbers,
        "id": st.none() | st.integers(-(2**53), 2**53),
        "whether": st.none() | st.booleans(),
        "record": st.none() | _json,
    }
)
# OWASP, "CSV Injection": the characters that a cell must not begin with.
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@given(_rows)
def test_row_comes_back_from_cells(row: dict[str, Any]) -> None:
    file = io.StringIO(newline="")
    csv.writer(file).writerow(row_cells(_COLUMNS, row))
    file.seek(0)
    (cells,) = csv.reader(file, strict=True)
    back = {
        column.name: from_cell(column, text) for column, text in zip(_COLUMNS.c, cells, strict=True)
    }
    assert back == row
    assert {name: type(value) for name, value in back.items()} == {
        name: type(value) for name, value in row.items()
    }


@given(_rows)
def test_row_comes_back_from_json(row: dict[str, Any]) -> None:
    assert {
        column.name: from_json(column, json_value(row[column.name])) for column in _COLUMNS.c
    } == row


@given(texts | st.sampled_from(NASTY_TEXTS) | st.sampled_from(_DANGEROUS))
def test_no_text_begins_like_a_formula(text: str) -> None:
    assert not cell(text).startswith(_DANGEROUS)
    assert cell(text) in (text, f"'{text}")


def test_numbers_are_left_to_be_numbers() -> None:
    assert cell(-3.5) == "-3.5"


@pytest.mark.parametrize(
    ("name", "value", "rule"),
    [
        ("moment", "2026-03-02T07:00:00", "moment must be an ISO 8601 time with its offset"),
        ("moment", "yesterday", "moment must be an ISO 8601 time with its offset"),
        ("number", "much", "number must be a number, got 'much'"),
        ("id", "1.5", "id must be a whole number, got '1.5'"),
        ("whether", "maybe", "whether must be true or false, got 'maybe'"),
        ("record", "{", "record must be JSON, got '{'"),
    ],
)
def test_cell_that_is_no_value_is_refused(name: str, value: str, rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        from_cell(_COLUMNS.c[name], value)


@pytest.mark.parametrize(
    ("name", "value", "rule"),
    [
        ("text", 5, "text must be text, got 5"),
        ("moment", 5, "moment must be an ISO 8601 time, got 5"),
        ("id", True, "id must be a whole number, got True"),
        ("number", "5", "number must be a number, got '5'"),
        ("whether", 1, "whether must be true or false, got 1"),
    ],
)
def test_json_of_another_kind_is_refused(name: str, value: object, rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        from_json(_COLUMNS.c[name], value)
