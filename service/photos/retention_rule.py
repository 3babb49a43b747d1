"""Which originals of photos a room keeps, by rule; records never go."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import (
    ASSIGNMENT,
    CAPTURE,
    FLAG,
    FLAG_EVENT,
    PHOTO,
    PHOTO_INSPECTION,
    TRAY,
    TRAY_INSPECTION,
)
from service.room.room_log import the_room
from service.settings import KeepPhotos, Settings

_NOON_HOUR = 12.0


@dataclass(frozen=True)
class Original:
    """An original that is kept, with what a rule asks of it.

    Parameters
    ----------
    trays : frozenset of int
        Numbers of the trays it shows, as measured or as a person said; empty where none is known.
    """

    photo_id: int
    sha256: str
    size_bytes: int
    taken_at: datetime
    trays: frozenset[int]


@dataclass(frozen=True)
class RetentionPlan:
    """What a rule does to the originals that are there.

    Parameters
    ----------
    rule : str
        In words.
    kept : int
        Number of originals that stay.
    to_go : tuple of Original
        The others, oldest first.
    """

    rule: str
    kept: int
    to_go: tuple[Original, ...]

    @property
    def size_bytes(self) -> int:
        """Of the originals that would go."""
        return sum(one.size_bytes for one in self.to_go)


def plan_retention(connection: sa.Connection, settings: Settings, now: datetime) -> RetentionPlan:
    """Work out from the log which originals stay."""
    there = _originals(connection)
    rule = rule_in_words(settings)
    if settings.keep_photos is KeepPhotos.ALL:
        return RetentionPlan(rule, len(there), ())
    since = now - timedelta(days=settings.keep_recent_days)
    kept = {one.photo_id for one in there if one.taken_at >= since}
    if settings.keep_one_a_day:
        kept |= _nearest_noon(there, ZoneInfo(the_room(connection).time_zone))
    if settings.keep_flagged:
        kept |= _flagged(connection, there)
    to_go = tuple(one for one in there if one.photo_id not in kept)
    return RetentionPlan(rule, len(there) - len(to_go), to_go)


def rule_in_words(settings: Settings) -> str:
    """The rule as it is set."""
    if settings.keep_photos is KeepPhotos.ALL:
        return "keep all"
    words = [f"keep all of the last {settings.keep_recent_days} days"]
    if settings.keep_one_a_day:
        words.append("one a day of each tray, nearest to noon")
    if settings.keep_flagged:
        words.append("all that carry a flag or a verdict")
    return ", ".join(words)


def _originals(connection: sa.Connection) -> list[Original]:
    capture = current(CAPTURE)
    statement = (
        sa.select(PHOTO.c.id, PHOTO.c.sha256, PHOTO.c.size_bytes, capture.c.taken_at)
        .join(capture, capture.c.photo_id == PHOTO.c.id)
        .where(PHOTO.c.original_kept.is_(sa.true()))
        .order_by(capture.c.taken_at, PHOTO.c.id)
    )
    trays = _trays(connection)
    return [
        Original(row.id, row.sha256, row.size_bytes, row.taken_at, frozenset(trays.get(row.id, ())))
        for row in connection.execute(statement)
    ]


def _trays(connection: sa.Connection) -> dict[int, set[int]]:
    passes, tray, given = current(PHOTO_INSPECTION), current(TRAY), current(ASSIGNMENT)
    seen = (
        sa.select(passes.c.photo_id, tray.c.number)
        .join(TRAY_INSPECTION, TRAY_INSPECTION.c.photo_inspection_id == passes.c.entry_id)
        .join(tray, tray.c.id == TRAY_INSPECTION.c.tray_id)
    )
    said = sa.select(given.c.photo_id, tray.c.number).join(tray, tray.c.id == given.c.tray_id)
    trays: dict[int, set[int]] = {}
    for row in connection.execute(sa.union(seen, said)):
        trays.setdefault(row.photo_id, set()).add(row.number)
    return trays


def _nearest_noon(there: Sequence[Original], zone: ZoneInfo) -> set[int]:
    """The best of each tray and day; photos without a known tray count as one tray more."""
    best: dict[tuple[int | None, object], tuple[float, int]] = {}
    for one in there:
        local = one.taken_at.astimezone(zone)
        hour = local.hour + local.minute / 60 + local.second / 3600
        rank = (abs(hour - _NOON_HOUR), one.photo_id)
        for tray in one.trays or (None,):
            key = (tray, local.date())
            best[key] = min(best.get(key, rank), rank)
    return {photo_id for _, photo_id in best.values()}


def _flagged(connection: sa.Connection, there: Sequence[Original]) -> set[int]:
    """Photos that a flag's evidence names, and all of its trays while it was noticed."""
    named: set[int] = set()
    spans: dict[int, list[tuple[datetime, datetime]]] = {}
    for flag in connection.execute(_flag_events()).mappings():
        evidence = flag["evidence"] or {}
        named |= {value for value in _photo_ids(evidence) if isinstance(value, int)}
        for tray in {flag["number"], *_numbers(evidence.get("trays"))} - {None}:
            spans.setdefault(tray, []).append((flag["since"], flag["at"]))
    shown = {
        one.photo_id
        for one in there
        if any(
            since <= one.taken_at <= until
            for tray in one.trays
            for since, until in spans.get(tray, ())
        )
    }
    return named | shown


def _flag_events() -> sa.Select[Any]:
    tray = current(TRAY)
    return (
        sa.select(FLAG.c.since, FLAG_EVENT.c.at, FLAG_EVENT.c.evidence, tray.c.number)
        .join(FLAG_EVENT, FLAG_EVENT.c.flag_id == FLAG.c.id)
        .join(tray, tray.c.id == FLAG.c.tray_id, isouter=True)
        .where(FLAG_EVENT.c.kind != "gone")
    )


def _photo_ids(evidence: object) -> Iterator[object]:
    """All that stands under ``photo_id`` anywhere in a flag's evidence."""
    if isinstance(evidence, Mapping):
        if "photo_id" in evidence:
            yield evidence["photo_id"]
        yield from chain.from_iterable(_photo_ids(value) for value in evidence.values())
    elif isinstance(evidence, list):
        yield from chain.from_iterable(_photo_ids(value) for value in evidence)


def _numbers(trays: object) -> list[int]:
    return [tray for tray in trays if isinstance(tray, int)] if isinstance(trays, list) else []
