"""A part of a tray put into another tray, where it grows on as old as before.

The part is a run of its own in the other tray. It knows since when it lies there and which run it
is of; from that run it has its age, also when that is corrected. Its seed is taken off what was
entered for the run whose tray it was taken from, that one or a part of it, so that seed and yield
are counted once.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.context import Service
from service.log.entries import Entrant, correct, enter
from service.log.refusals import Refusal
from service.log.schema import RUN
from service.log.told_moments import refuse_ahead
from service.models.runs import EndReason, NewSplit, Run, Seed
from service.photos.ingest import tell_watchers
from service.room.room_changes import ends_another
from service.room.room_log import the_room, told_moment, tray_or_new
from service.runs.run_calendar import RunSpan, span_of
from service.runs.run_log import bring_seed, entry_seed, run_out
from service.runs.run_rules import check_run

_LEAST_G = 0.1


@dataclass(frozen=True)
class Split:
    """What splitting a tray entered.

    Parameters
    ----------
    run : Run
        The part in the other tray.
    corrected_entry_id : int
        Of the run that it was taken from, whose seed is less now.
    ended_another : bool
        Whether a run without an end lay in the other tray, and ended here.
    """

    run: Run
    corrected_entry_id: int
    ended_another: bool


def split_run(service: Service, run_id: int, new: NewSplit, by: Entrant) -> Split:
    """Put a part of a run's tray into another tray.

    Raises
    ------
    NotFound
        If there is no such run.
    Refusal
        If it lies more than a day ahead, it is the same tray, the run does not lie in its tray at
        that moment, or the other tray was harvested later than that.
    Conflict
        If another run of the other tray starts within the hour.
    """
    with service.database.write() as connection:
        span, room = span_of(connection, run_id), the_room(connection)
        split_at = told_moment("split_at", new.split_at or by.at, room)
        refuse_ahead("split_at", split_at, by.at)
        _check(span, new, split_at)
        values = {
            name: span.row[name]
            for name in ("spread_at", "soaked_at", "target_shoot_height_mm", "target_day")
        }
        values |= {
            "tray_id": tray_or_new(connection, new.tray, by),
            "in_tray_from": split_at,
            # A part of a part is of the run that was spread: all are as old as that.
            "split_from_id": span.split_from_id or span.id,
            "taken_from_id": span.id,
        }
        check_run(connection, values, now=by.at)
        kept, moved = _shared(entry_seed(connection, run_id), new.share)
        why = f"{new.share:.0%} put into tray {new.tray}"
        corrected = correct(connection, RUN, run_id, {}, by=by, why=why)
        bring_seed(connection, corrected, kept)
        part_id = enter(connection, RUN, values, by)
        bring_seed(connection, part_id, moved)
        part = span_of(connection, part_id)
        ended_another = ends_another(connection, part)
        out = run_out(connection, part, room=room, now=by.at)
    tell_watchers(service, {span.tray_id, part.tray_id})
    return Split(out, corrected, ended_another)


def _check(span: RunSpan, new: NewSplit, split_at: datetime) -> None:
    if new.tray == span.number:
        raise Refusal("tray", f"must be another tray than {span.number}, got the same")
    if split_at <= span.begins_at:
        raise Refusal(
            "split_at",
            f"must be later than {span.begins_at:%Y-%m-%d %H:%M} UTC, since when it lies in tray "
            f"{span.number}, got {split_at:%Y-%m-%d %H:%M} UTC",
        )
    if span.ended_at is not None and split_at >= span.ended_at:
        how = "spread again" if span.reason is EndReason.NEXT_RUN else "taken"
        raise Refusal(
            "split_at",
            f"must be earlier than {span.ended_at:%Y-%m-%d %H:%M} UTC, when tray {span.number} "
            f"was {how}, got {split_at:%Y-%m-%d %H:%M} UTC",
        )


def _shared(seed: Sequence[Seed], share: float) -> tuple[list[Seed], list[Seed]]:
    """What stays and what goes; together what it was."""
    kept, moved = [], []
    for one in seed:
        goes = None if one.weight_g is None else max(_LEAST_G, round(one.weight_g * share, 1))
        stays = None
        if one.weight_g is not None and goes is not None:
            stays = max(_LEAST_G, round(one.weight_g - goes, 3))
        kept.append(one.model_copy(update={"weight_g": stays}))
        moved.append(one.model_copy(update={"weight_g": goes}))
    return kept, moved
