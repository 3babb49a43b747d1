"""What a form's fields show, and fields that people type in their own units."""

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Final

import sqlalchemy as sa
from fastapi import Request
from starlette.datastructures import FormData, UploadFile
from starlette.responses import Response

from service.context import Service
from service.log.refusals import Refusal
from service.models.base import LARGEST_ID
from service.pages.forms.forms import Typed, decimal
from service.pages.words import MM_IN_AN_INCH
from trayvision.commands.kit import parse_tray_numbers
from trayvision.reference_kit import LAST_TRAY_NUMBER, TraySize

_MM_IN: Final = {"mm": 1.0, "cm": 10.0, "in": MM_IN_AN_INCH}
_SIDE: Final = r"\s*(\d{1,5}(?:[.,]\d{1,4})?)\s*"
_SIZE: Final = re.compile(rf"{_SIDE}[x×X*]{_SIDE}[x×X*]{_SIDE}")
_LONGEST: Final = 60


@dataclass(frozen=True)
class Fields:
    """The fields of one form: what was typed where a rule broke, else what holds.

    Parameters
    ----------
    held : mapping
        By field: the text that it begins with, or several of boxes that are ticked.
    typed : Typed or None
        What was typed into this form, where it is shown again.
    """

    held: Mapping[str, str | Collection[str]] = field(default_factory=dict)
    typed: Typed | None = None

    @property
    def broken(self) -> Mapping[str, str]:
        """Broken rules by field."""
        return {} if self.typed is None else self.typed.broken

    def value(self, name: str) -> str:
        """Text of a field; empty where there is none."""
        if self.typed is not None:
            return self.typed.text(name) or ""
        held = self.held.get(name, "")
        return held if isinstance(held, str) else ""

    def has(self, name: str, option: str) -> bool:
        """Whether a choice is made or a box is ticked."""
        if self.typed is not None:
            return option in self.typed.texts(name)
        held = self.held.get(name, "")
        return option == held if isinstance(held, str) else option in held


@dataclass(frozen=True)
class Said:
    """What was typed into one of a page's forms, where it is shown again.

    Parameters
    ----------
    form : str
        Which form; empty where none was sent.
    typed : Typed
    """

    form: str = ""
    typed: Typed = field(default_factory=Typed)

    def fields(self, form: str, held: Mapping[str, str | Collection[str]]) -> Fields:
        """The fields of one of the page's forms."""
        return Fields(held, self.typed if self.form == form else None)

    @property
    def broken(self) -> Mapping[str, str]:
        """Broken rules by field, of whichever form."""
        return self.typed.broken


NOTHING_SAID: Final = Said()


def asked(request: Request) -> Typed:
    """What a form asked that is sent as an address's query."""
    items: list[tuple[str, str | UploadFile]] = [*request.query_params.multi_items()]
    return Typed(FormData(items))


def shown_again(
    service: Service, form: str, shown: Callable[[sa.Connection, Said], Response]
) -> Callable[[Typed], Response]:
    """How a page is shown again with what was typed into one of its forms."""

    def again(typed: Typed) -> Response:
        with service.database.read() as connection:
            return shown(connection, Said(form, typed))

    return again


def converted(
    number: float | None, to_kept: Callable[[float], float], *, shown: str, kept: float | None
) -> float | None:
    """A typed number as it is kept; one that was left as it was shown changes nothing.

    Else every saved form would move what is kept by the rounding of what is shown.
    """
    if number is None:
        return None
    return kept if kept is not None and plain_number(number) == shown else to_kept(number)


def plain_number(number: float | None, digits: int = 2) -> str:
    """A number as a field shows it, empty where there is none."""
    return "" if number is None else f"{round(number, digits):g}"


def typed_size(typed: Typed, name: str = "tray_size") -> str | None:
    """A tray's inner size as it was typed, in the unit chosen beside it, as LxWxD in mm.

    Raises
    ------
    Refusal
        If it is not three lengths, or one is out of range.
    """
    text = typed.text(name)
    if text is None:
        return None
    match = _SIZE.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        raise Refusal(
            name, f"must be length x width x depth, such as 540x280x60, got {text[:_LONGEST]!r}"
        )
    mm = _MM_IN.get(typed.text(f"{name}_unit") or "mm", 1.0)
    sides = [decimal(name, side) * mm for side in match.groups()]
    try:
        return str(TraySize(*(round(side, 1) for side in sides)).long_side_first())
    except ValueError as error:
        raise Refusal(name, f"{str(error).replace('_mm', '')} — was the unit right?") from error


def size_in_words(size: str, unit: str) -> str:
    """A size as it is read, such as "540 x 280 x 60 mm" or "21.3 x 11 x 2.4 in"."""
    whole = TraySize.parse(size)
    sides = (whole.length_mm, whole.width_mm, whole.depth_mm)
    if unit not in ("mm", "cm"):
        return " x ".join(f"{side / _MM_IN[unit]:.4g}" for side in sides) + f" {unit}"
    return " x ".join(f"{side:g}" for side in sides) + " mm"


def typed_tray_numbers(typed: Typed, name: str) -> tuple[int, ...]:
    """Tray numbers from "1-12, 20".

    Raises
    ------
    Refusal
        If none is given, one is given twice, or one is not printed on any kit.
    """
    text = typed.text(name)
    if text is None:
        raise Refusal(name, "must name at least one tray number, such as 1-12")
    try:
        numbers = parse_tray_numbers(text[:400])
    except ValueError:
        raise Refusal(
            name, f"must be numbers and ranges such as 1-12, 20, got {text[:_LONGEST]!r}"
        ) from None
    if max(numbers) > LAST_TRAY_NUMBER:
        raise Refusal(name, f"must be from 0 to {LAST_TRAY_NUMBER}, got {max(numbers)}")
    if len(set(numbers)) != len(numbers):
        raise Refusal(name, "must name each number once, got some twice")
    return numbers


def typed_count(typed: Typed, name: str, *, low: int, high: int) -> int | None:
    """A whole number in a range. Raises Refusal."""
    number = typed.number(name)
    if number is None:
        return None
    if not (number == int(number) if abs(number) < LARGEST_ID else False):
        raise Refusal(name, f"must be a whole number, got {number:g}")
    if not low <= number <= high:
        raise Refusal(name, f"must be from {low} to {high}, got {number:g}")
    return int(number)


def number_ranges_in_words(numbers: Collection[int]) -> str:
    """Such as "1–12, 20"."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)
