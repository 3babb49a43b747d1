"""What somebody typed into a form: read by the same rules as the API, kept when a rule breaks."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Final, TypeVar

from fastapi import Depends, Request
from pydantic import BaseModel, ValidationError
from starlette.datastructures import FormData
from starlette.responses import Response

from service.log.plain_rules import rule_in_words
from service.log.refusals import Refusal

ModelT = TypeVar("ModelT", bound=BaseModel)
_LONGEST_NUMBER = 40
# Where three digits follow a comma, it can part thousands as well as decimals, unless the number
# begins with 0. A point parts decimals on every page: what a page shows is typed back so.
_EITHER: Final = re.compile(r"([+-]?[1-9]\d{0,2}),(\d{3})")


def decimal(name: str, text: str) -> float:
    """A number with a decimal point or comma.

    Parameters
    ----------
    name : str
        The field in which it was typed.
    text : str

    Raises
    ------
    Refusal
        If it is no number, or its comma can be read in two ways.
    """
    either = _EITHER.fullmatch(text.strip())
    if either is not None:
        whole, after = either.groups()
        part = after.rstrip("0")
        small = f"{whole}.{part}" if part else whole
        raise Refusal(
            name,
            f"must be written so that it can be read in one way only: {text.strip()} is "
            f"{whole}{after} to some and {small} to others. Write {whole}{after} or "
            f"{whole}.{part or '0'}",
        )
    try:
        if len(text) > _LONGEST_NUMBER:
            raise ValueError(text)
        return float(text.replace(",", "."))
    except ValueError as error:
        raise Refusal(name, f"must be a number, got {text[:_LONGEST_NUMBER]!r}") from error


@dataclass(frozen=True)
class Typed:
    """Fields of a form as they came; nothing typed is the same as not there.

    Parameters
    ----------
    form : FormData
    broken : mapping
        Sentences by field, of a form that is shown again.
    """

    form: FormData = field(default_factory=FormData)
    broken: Mapping[str, str] = field(default_factory=dict)

    def text(self, name: str) -> str | None:
        """A field without blanks around it, None where nothing was typed."""
        value = self.form.get(name)
        if not isinstance(value, str):
            return None
        # As browsers end lines: a text of the log that nobody touched would differ from itself.
        return value.strip().replace("\r\n", "\n") or None

    def texts(self, name: str) -> list[str]:
        """All values of a field, such as of boxes that are ticked."""
        return [value for value in self.form.getlist(name) if isinstance(value, str) and value]

    def number(self, name: str) -> float | None:
        """A number with a decimal point or comma. Raises Refusal."""
        text = self.text(name)
        return None if text is None else decimal(name, text)

    def read(self, model: type[ModelT], *names: str, **more: Any) -> ModelT:
        """The fields of these names, and what else is known, as a model. Raises ValidationError."""
        typed = {name: value for name in names if (value := self.text(name)) is not None}
        return model.model_validate({**typed, **more})


async def _typed(request: Request) -> Typed:
    return Typed(await request.form(max_files=0, max_fields=500))


TypedForm = Annotated[Typed, Depends(_typed)]


def answered(
    typed: Typed, act: Callable[[], Response], again: Callable[[Typed], Response]
) -> Response:
    """Do what a form asks; where a rule breaks, show it again with the rule and what was typed.

    Parameters
    ----------
    typed : Typed
    act : callable
        Does it and says where to go on; may raise Refusal and ValidationError.
    again : callable
        Shows the form with what was typed; its answer gets status 422 or that of the refusal.
    """
    try:
        return act()
    except ValidationError as error:
        broken, status = _broken(error), 422
    except Refusal as refusal:
        broken, status = {refusal.field: refusal.rule}, refusal.status
    response = again(Typed(typed.form, broken))
    response.status_code = status
    return response


def _broken(error: ValidationError) -> dict[str, str]:
    return {
        ".".join(str(part) for part in one["loc"]): rule_in_words(dict(one))
        for one in error.errors()
    }
