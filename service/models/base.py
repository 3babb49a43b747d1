"""What all models share: strictness, names, moments, and who entered a row when."""

from datetime import datetime
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

# What fits PostgreSQL's bigint, and JSON numbers that every reader keeps exact.
LARGEST_ID = 2**53 - 1
_FIRST_YEAR, _LAST_YEAR = 2000, 2199

ThingId = Annotated[int, Field(ge=1, le=LARGEST_ID)]
Name = Annotated[
    str,
    StringConstraints(
        strip_whitespace=True, min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"
    ),
]
Text = Annotated[str, StringConstraints(max_length=10_000, pattern=r"^[^\x00]*$")]
Share = Annotated[float, Field(ge=0, le=1)]


def _in_living_memory(moment: datetime) -> datetime:
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise ValueError(
            f"must lie in the years {_FIRST_YEAR} to {_LAST_YEAR}, got {moment.isoformat()}"
        )
    return moment


# ISO 8601; without an offset it is taken as the room's own time.
Moment = Annotated[
    datetime,
    AfterValidator(_in_living_memory),
    Field(description="ISO 8601 time; without an offset it is the room's own time."),
]


class Model(BaseModel):
    """Strict and frozen: a misspelt field is an error, not silence."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Entered(Model):
    """Who entered a thing and when; `entered_at` and `why` are those of the last correction."""

    id: int
    entry_id: int = Field(description="Number of the row that holds now; changes when corrected.")
    first_entered_at: datetime
    entered_at: datetime
    entered_by: int | None
    why: str | None


class Change(Model):
    """A correction: only what is given changes; the row before stays in the history."""

    why: Text | None = Field(None, description="Why it is corrected.")
