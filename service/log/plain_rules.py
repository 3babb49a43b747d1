"""Rules of typed values in plain words, beside those that models state in their own."""

import re
from collections.abc import Mapping
from typing import Any, Final

_MOMENT: Final = "must be a date with a time, such as 2026-03-02 07:30"
_DATE: Final = "must be a date, such as 2026-03-02"
_NUMBER: Final = "must be a number"
_WHOLE: Final = "must be a whole number"
_YES_NO: Final = "must be yes or no"
# Such as <Role.OWNER: 'owner'>.
_ENUM_MEMBER: Final = re.compile(r"<[\w.]+: ('[^']*')>")
# By the names that pydantic gives its errors; braces stand for what the error knows.
_RULES: Final[Mapping[str, str]] = {
    "missing": "must be given",
    "extra_forbidden": "is not known here and must be left out",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be {ge} or more",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be {le} or less",
    "multiple_of": "must be a multiple of {multiple_of}",
    "finite_number": "must be a number with an end",
    "float_type": _NUMBER,
    "float_parsing": _NUMBER,
    "int_type": _WHOLE,
    "int_parsing": _WHOLE,
    "int_from_float": _WHOLE,
    "int_parsing_size": "must be a whole number of fewer digits",
    "bool_type": _YES_NO,
    "bool_parsing": _YES_NO,
    "enum": "must be {expected}",
    "literal_error": "must be {expected}",
    "json_invalid": "must be JSON that can be read, but: {error}",
    "string_type": "must be text",
    "string_pattern_mismatch": "must match the pattern {pattern}",
    "datetime_type": _MOMENT,
    "datetime_parsing": _MOMENT,
    "datetime_from_date_parsing": _MOMENT,
    "datetime_object_invalid": _MOMENT,
    "timezone_aware": "must say its offset, such as +01:00",
    "date_type": _DATE,
    "date_parsing": _DATE,
    "date_from_datetime_parsing": _DATE,
    "date_from_datetime_inexact": _DATE,
    "list_type": "must be a list",
    "dict_type": "must be an object",
    "model_type": "must be an object",
    "model_attributes_type": "must be an object",
}
# (least or most, the number, one thing, several things)
_COUNTS: Final[Mapping[str, tuple[str, str, str, str]]] = {
    "string_too_short": ("at least", "min_length", "character", "characters"),
    "string_too_long": ("at most", "max_length", "character", "characters"),
    "too_short": ("at least", "min_length", "entry", "entries"),
    "too_long": ("at most", "max_length", "entry", "entries"),
}


def rule_in_words(error: dict[str, Any]) -> str:
    """What must hold and what came, of one error of validation."""
    plain = _plain_rule(str(error["type"]), error.get("ctx") or {})
    message = plain or str(error["msg"]).removeprefix("Value error, ")
    came = error.get("input")
    if isinstance(came, str | int | float | bool) and "got" not in message:
        return f"{message}, got {came!r}"[:500].encode("utf-8", "replace").decode()
    return message


def _plain_rule(kind: str, known: Mapping[str, Any]) -> str | None:
    """What must hold, such as "must be more than 0"; None where only the error's own words do.

    Parameters
    ----------
    kind : str
        Of the error, as pydantic names it.
    known : mapping
        What the error knows of the rule: its bounds, what was expected.
    """
    if kind in _COUNTS:
        bound, name, one, several = _COUNTS[kind]
        number = known[name]
        return f"must have {bound} {number} {one if number == 1 else several}"
    if kind not in _RULES:
        return None
    values = {name: _plain(value) for name, value in known.items()}
    return _RULES[kind].format_map(values)


def unread_body(cause: BaseException | None) -> str:
    """What must hold of a body that could not even be read; empty where the cause says nothing."""
    if isinstance(cause, UnicodeDecodeError):
        return f"must be text in UTF-8, but byte {cause.start} is not"
    if isinstance(cause, RecursionError):
        return "must be JSON that is nested less deeply"
    return ""


def _plain(value: Any) -> Any:
    """Bounds of numbers come as 95.0 where 95 was meant, some choices as Python writes them."""
    if isinstance(value, str):
        return _ENUM_MEMBER.sub(r"\1", value)
    return f"{value:.12g}" if isinstance(value, float) else value
