"""Values of the log as JSON and as cells of a CSV file, and back without loss.

Times are ISO 8601 in UTC with their offset. In a CSV file an empty cell is "nothing known".
A text that a spreadsheet would take for a formula (it begins with ``= + - @``, their full-width
forms, a tab or a line break) gets an apostrophe before it, which spreadsheets take as "text
follows"; so do the empty text and texts that begin with an apostrophe, so that reading takes
exactly one away and gives back what was there. Which characters: OWASP, "CSV Injection".
"""

import json
from datetime import datetime
from typing import Any, cast

import sqlalchemy as sa

from service.log.sql_types import Moment

_GUARD = "'"
_GUARDED = tuple("=+-@＝＋－＠\t\r\n'")


def json_value(value: object) -> object:
    """A value of the log as JSON has it."""
    return value.isoformat() if isinstance(value, datetime) else value


def cell(value: object) -> str:
    """A value of the log as a cell; JSON columns come as their text from `json_cell`."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, int | float):
        return repr(value)
    return _guarded(str(value))


def json_cell(value: object) -> str:
    """A value of a JSON column as a cell."""
    return "" if value is None else json.dumps(value, ensure_ascii=False)


def row_cells(table: sa.Table, row: dict[str, Any]) -> list[str]:
    """A row of a table as cells."""
    return [
        json_cell(row[column.name]) if isinstance(column.type, sa.JSON) else cell(row[column.name])
        for column in table.c
    ]


def from_json(column: sa.Column[Any], value: object) -> object:
    """The value of a column that JSON gives.

    Raises
    ------
    ValueError
        If it is none of the column's; it names the column, the rule and what came.
    """
    if value is None or isinstance(column.type, sa.JSON):
        return value
    kind = column.type
    if isinstance(kind, Moment) and isinstance(value, str):
        return _moment(column, value)
    if isinstance(kind, sa.Boolean):
        fits = isinstance(value, bool)
    elif isinstance(kind, sa.Integer):
        fits = isinstance(value, int) and not isinstance(value, bool)
    elif isinstance(kind, sa.Float):
        fits = isinstance(value, int | float) and not isinstance(value, bool)
    else:
        fits = isinstance(value, str) and not isinstance(kind, Moment)
    if not fits:
        raise ValueError(f"{column.name} must be {_word(kind)}, got {value!r:.80}")
    return float(cast(float, value)) if isinstance(kind, sa.Float) else value


def from_cell(column: sa.Column[Any], text: str) -> object:
    """The value of a column that a cell gives. Raises like `from_json`."""
    if text == "":
        return None
    kind = column.type
    if isinstance(kind, sa.Text | sa.String):
        return text.removeprefix(_GUARD)
    if isinstance(kind, Moment):
        return _moment(column, text)
    try:
        if isinstance(kind, sa.JSON):
            return json.loads(text)
        if isinstance(kind, sa.Boolean):
            return {"true": True, "false": False}[text]
        return int(text) if isinstance(kind, sa.Integer) else float(text)
    except (ValueError, KeyError, RecursionError):
        raise ValueError(f"{column.name} must be {_word(kind)}, got {text!r:.80}") from None


def _guarded(text: str) -> str:
    return _GUARD + text if text == "" or text.startswith(_GUARDED) else text


def _moment(column: sa.Column[Any], text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ValueError(
            f"{column.name} must be an ISO 8601 time with its offset, got {text!r:.80}"
        )
    return moment


def _word(kind: object) -> str:
    words = (
        (Moment, "an ISO 8601 time"),
        (sa.JSON, "JSON"),
        (sa.Boolean, "true or false"),
        (sa.Integer, "a whole number"),
        (sa.Float, "a number"),
    )
    return next((word for one, word in words if isinstance(kind, one)), "text")
