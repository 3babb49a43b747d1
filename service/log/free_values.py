"""Values whose keys nobody laid down, such as a chore's `details`: what may be kept of them.

What is kept must be readable by every program and by both databases. UTF-8 has no half of a pair
of surrogates, PostgreSQL no NUL in a text, JSON no number that is infinite or none.
"""

import json
import math
from typing import Any, Final

from service.models.base import LARGEST_ID

DEEPEST: Final = 8
LONGEST: Final = 20_000
# Rows of before these rules may lie deeper than answers can be written.
_DEEPEST_READ: Final = 50
# How JSON writes what cannot be kept.
_DOUBTFUL: Final = ("\\ud", "\\u0000")


def check_free(value: dict[str, Any]) -> dict[str, Any]:
    """A value as it came, once it can be kept.

    Raises
    ------
    ValueError
        It names the rule that is broken, and where.
    """
    _check(value, "", 1)
    length = len(json.dumps(value, ensure_ascii=False).encode())
    if length > LONGEST:
        raise ValueError(f"must have at most {LONGEST} bytes as JSON, got {length}")
    return value


def read_json(text: str) -> Any:
    """JSON of the log, with what could not be written again in words that can.

    A half pair and a NUL are given as their escapes, an infinite number and what lies too deep as
    their text.
    """
    try:
        value = _DECODER.decode(text)
        if any(sign in text for sign in _DOUBTFUL) or _signs_of_depth(text) > _DEEPEST_READ:
            return _readable(value, 1)
    except RecursionError:
        return {"text": text}
    return value


# A decoder made once: with an option, `json.loads` makes one anew for each text.
_DECODER: Final = json.JSONDecoder(parse_constant=str)


def _check(value: object, where: str, depth: int) -> None:
    if depth > DEEPEST and isinstance(value, dict | list):
        raise ValueError(f"must lie at most {DEEPEST} levels deep, but {where[:80]} does not end")
    if isinstance(value, dict):
        for name, one in value.items():
            _check_text(str(name), "a name of a field" if not where else f"a name in {where}")
            _check(one, f"{where}.{name}".removeprefix("."), depth + 1)
    elif isinstance(value, list):
        for place, one in enumerate(value):
            _check(one, f"{where}.{place}", depth + 1)
    elif isinstance(value, str):
        _check_text(value, where)
    elif isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"must have finite numbers, but {where[:80]} has {value}")
    elif isinstance(value, int) and abs(value) > LARGEST_ID:
        raise ValueError(f"must have whole numbers up to {LARGEST_ID}, but {where[:80]} has more")


def _check_text(text: str, where: str) -> None:
    fault = "half of a pair of surrogates" if _writable(text) != text else ""
    fault = "a NUL" if "\x00" in text else fault
    if fault:
        raise ValueError(
            f"must have texts that can be kept, but {_writable(where)[:80]} has {fault}"
        )


def _signs_of_depth(text: str) -> int:
    return text.count("[") + text.count("{")


def _writable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\u0000")


def _readable(value: Any, depth: int) -> Any:
    if isinstance(value, str):
        return _writable(value)
    if isinstance(value, dict | list) and depth > _DEEPEST_READ:
        return json.dumps(value)
    if isinstance(value, dict):
        return {_writable(name): _readable(one, depth + 1) for name, one in value.items()}
    if isinstance(value, list):
        return [_readable(one, depth + 1) for one in value]
    return value
