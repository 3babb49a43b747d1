"""Values of a log that only certain words may have: a page that met another could not be shown.

The schema holds rows to types and references. Where rows come from a file that somebody may have
edited, these are held to the rules that entries are held to.
"""

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Annotated, Any, Final

import sqlalchemy as sa
from pydantic import TypeAdapter, ValidationError

from service.log.log_tables import batches, log_tables
from service.log.plain_rules import rule_in_words
from service.log.refusals import Refusal
from service.models.accounts import NewPerson
from service.models.base import Model
from service.models.cameras import NewCamera
from service.models.notifications import NewTarget
from service.models.photos import PhotoChange
from service.models.room import NewTray, NewTrayState, RoomChange
from service.models.runs import NewHarvest

_UNITS: Final = ("temperature_unit", "weight_unit", "volume_unit", "length_unit")
_CLOCK_TIMES: Final = ("digest_at", "quiet_from", "quiet_until")
# By table: by which model its entries are read, and the columns that are closed.
_CLOSED: Final[Mapping[str, tuple[type[Model], tuple[str, ...]]]] = {
    "room": (RoomChange, ("time_zone", "tray_size", "day_zero", *_UNITS)),
    "tray": (NewTray, ("size",)),
    "tray_state": (NewTrayState, ("state",)),
    "person": (NewPerson, ("role",)),
    "harvest": (NewHarvest, ("reason",)),
    "capture": (PhotoChange, ("watering",)),
    "camera": (NewCamera, ("kind", "options")),
    "notification_target": (NewTarget, (*_CLOCK_TIMES, "at_once", "in_quiet_hours")),
}


def check_closed_values(connection: sa.Connection, member: Mapping[str, str] | str) -> None:
    """Hold a log to the words that its entries may have.

    Parameters
    ----------
    connection : Connection
    member : str or mapping
        Member of the archive that its rows came from; one by table where there are several.

    Raises
    ------
    Refusal
        It names the member, the row and the rule.
    """
    for table in log_tables(connection):
        rules = [(name, rule) for name, rule in _rules(table.name) if name in table.c]
        if not rules:
            continue
        for row in (row for batch in batches(connection, table) for row in batch):
            for name, rule in rules:
                broken = _broken(rule, row[name])
                if broken:
                    where = member if isinstance(member, str) else member[table.name]
                    raise Refusal(where, f"row {row['id']} of {table.name}: {name} {broken}")


@lru_cache(maxsize=1)
def _adapters() -> dict[str, list[tuple[str, TypeAdapter[Any]]]]:
    return {table: list(_of(model, names)) for table, (model, names) in _CLOSED.items()}


def _rules(table: str) -> list[tuple[str, TypeAdapter[Any]]]:
    return _adapters().get(table, [])


def _of(model: type[Model], names: tuple[str, ...]) -> Iterator[tuple[str, TypeAdapter[Any]]]:
    for name in names:
        field = model.model_fields[name]
        whole: Any = field.annotation
        for one in field.metadata:
            whole = Annotated[whole, one]
        yield name, TypeAdapter(whole)


def _broken(rule: TypeAdapter[Any], value: object) -> str:
    """What a value breaks; nothing known is the schema's to judge."""
    if value is None:
        return ""
    try:
        rule.validate_python(value)
    except ValidationError as error:
        return rule_in_words(dict(error.errors()[0]))
    return ""
