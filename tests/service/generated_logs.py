"""Logs made up at random that hold to the schema's rules, and what a log holds, to compare."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from random import Random
from typing import Any

import sqlalchemy as sa
from hypothesis import strategies as st

from service.log.columns import METADATA
from service.log.database import Database
from service.log.log_tables import batches, log_tables
from service.log.sql_types import Moment
from service.photos.photo_store import PhotoStore

# What has been lost or changed by one writer or reader of CSV or JSON or another.
NASTY_TEXTS = (
    *("", " ", "'", "''", "'=1", "=1+1", "+43 1", "-", "@home", "\t=1", "\r", "\n", "a\r\nb"),
    *('"', '""', ",", ";", "a,b;c", "NULL", "null", "true", "1", "ü", "😀", "\u2028", "\ufeff"),
    *("＝1", "\x1b", "\\", "\\N", "{", "2026-03-02T07:00:00+00:00"),
)
# Neither database keeps half a surrogate pair or the character 0.
texts = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12)
numbers = st.floats(-1e15, 1e15)
moments = st.integers(0, 6 * 10**15).map(
    lambda microseconds: datetime(2000, 1, 1, tzinfo=UTC) + timedelta(microseconds=microseconds)
)

# What only the service's own rules limit, and what people's tables rely on.
_ALLOWED: dict[str, tuple[Any, ...]] = {
    "room.day_zero": ("soak", "spread", None),
    "room.time_zone": ("Europe/Vienna",),
    "room.temperature_unit": ("°C", "°F"),
    "room.weight_unit": ("kg", "lb"),
    "room.volume_unit": ("L", "US gal", "imp gal"),
    "room.length_unit": ("cm", "in"),
    "room.withdrawn": (False,),
    "run_seed.weight_g": (0.5, 800.0, None),
    "room.tray_size": ("540x280x60",),
    "tray.size": ("540x280x60", None),
    "tray_state.state": ("empty", "resting", "retired"),
    "person.role": ("owner", "worker", "read-only"),
    "capture.watering": ("before", "after", "unknown"),
    "camera.kind": ("sends photos", "folder"),
    "camera.options": ({"also_at": ["12:00"]}, {}, None),
    **dict.fromkeys(
        [f"notification_target.{name}" for name in ("digest_at", "quiet_from", "quiet_until")],
        ("06:30", None),
    ),
    "notification_target.at_once": (["hold"], []),
    "notification_target.in_quiet_hours": (["too hot"], []),
    "harvest.reason": ("harvested", "thrown", "other"),
    "flag_event.kind": ("noticed",),
    "flag_event.urgency": (1.5,),
    "flag_event.reason": ("=1", "why"),
    "flag_event.look": ("at it",),
    "flag_event.verdict": ("right", "root hairs", None),
    "flag_event.evidence": ({"trays": [17], "places": []}, {}, None),
}


@dataclass
class Pools:
    """What values are taken from."""

    seed: int
    texts: Sequence[str]
    numbers: Sequence[float]
    moments: Sequence[datetime]
    count: int = field(default=0)

    def next(self) -> int:
        self.count += 1
        return self.count


pools = st.builds(
    Pools,
    seed=st.integers(0, 2**32),
    texts=st.lists(texts, min_size=1).map(lambda more: [*NASTY_TEXTS, *more]),
    numbers=st.lists(numbers, min_size=1).map(lambda more: [*more, 0.1, -0.0, 5e-324, 1e22]),
    moments=st.lists(moments, min_size=1),
    count=st.just(0),
)


def fill(
    connection: sa.Connection, store: PhotoStore | None, made: Pools, *, secrets: bool = False
) -> None:
    """Put up to five rows into each table, corrections among them; originals into the store."""
    random = Random(made.seed)
    ids: dict[str, list[int]] = {}
    for table in log_tables(connection, secrets=secrets):
        ids[table.name] = []
        last: dict[int, int] = {}
        taken: set[tuple[Any, ...]] = set()
        for _ in range(random.randint(table.name == "room", 5)):
            row = _row(table, random, made, ids)
            if row is None:
                continue
            if "replaces_id" in table.c:
                thing = random.choice([None, *last])
                if table.name == "room" and last:
                    # There is one room, with its corrections.
                    thing = next(iter(last))
                row |= {"original_id": thing, "replaces_id": last.get(thing or 0)}
            key = tuple(row[column.name] for column in table.primary_key.columns)
            if key in taken:
                continue
            taken.add(key)
            connection.execute(sa.insert(table).values(row))
            if "id" in row:
                last[row.get("original_id") or row["id"]] = row["id"]
            ids[table.name] = list(last)
            if table.name == "photo" and store is not None and row["original_kept"]:
                store.keep_original(row["sha256"], _photo(row["id"]))


def contents(connection: sa.Connection, *, secrets: bool = True) -> dict[str, list[dict[str, Any]]]:
    """All rows of all tables."""
    return {
        table.name: [row for batch in batches(connection, table) for row in batch]
        for table in log_tables(connection, secrets=secrets)
    }


def log_of(database: Database, *, secrets: bool = True) -> dict[str, list[dict[str, Any]]]:
    with database.read() as connection:
        return contents(connection, secrets=secrets)


def clear(connection: sa.Connection) -> None:
    """Leave a room with nothing but its own first entry."""
    for table in reversed(METADATA.sorted_tables):
        gone = sa.delete(table)
        connection.execute(gone.where(table.c.id > 1) if table.name == "room" else gone)


def _photo(number: int) -> bytes:
    return f"photo {number}".encode()


def _row(
    table: sa.Table, random: Random, made: Pools, ids: dict[str, list[int]]
) -> dict[str, Any] | None:
    number = made.next()
    row: dict[str, Any] = {}
    for column in table.c:
        name = f"{table.name}.{column.name}"
        if name in _ALLOWED:
            row[column.name] = random.choice(_ALLOWED[name])
        elif column.foreign_keys:
            goal = next(iter(column.foreign_keys)).column.table.name
            # Rows of the same table: only what is there already.
            there = ids.get(goal, [])
            if column.nullable and (not there or random.random() < 0.3):
                row[column.name] = None
            elif there:
                row[column.name] = random.choice(there)
            else:
                return None
        elif column.nullable and random.random() < 0.3:
            row[column.name] = None
        else:
            row[column.name] = _value(column, random, made, number)
    if table.name == "photo":
        row["sha256"] = sha256(_photo(row["id"])).hexdigest()
    return row


def _value(column: sa.Column[Any], random: Random, made: Pools, number: int) -> Any:
    kind = column.type
    if isinstance(kind, Moment):
        return random.choice(made.moments)
    if isinstance(kind, sa.JSON):
        return random.choice([[], {}, "", _json(random, made), [_json(random, made)], 7, False])
    if isinstance(kind, sa.Boolean):
        return random.random() < 0.5
    if isinstance(kind, sa.Integer):
        return 10 + number
    if isinstance(kind, sa.Float):
        return random.choice(made.numbers)
    # Limited in length, and mostly unique.
    return random.choice(made.texts) if kind.length is None else str(number)  # type: ignore[attr-defined]


def _json(random: Random, made: Pools) -> dict[str, Any]:
    return {
        random.choice(made.texts): random.choice(made.texts),
        "number": random.choice(made.numbers),
        "none": None,
        "list": [random.choice(made.moments).isoformat(), 2**53 - 1, True],
    }
