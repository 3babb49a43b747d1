"""What is asked of a run or a harvest that is entered or corrected: no two overlap in one tray."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service.log.refusals import Conflict, Refusal
from service.log.told_moments import LONGEST_SOAK, RUN_FURTHEST_AHEAD, refuse_ahead
from service.models.runs import EndReason
from service.runs.run_calendar import RunSpan, run_calendar, run_spans, span_of
from service.runs.run_harvests import harvests_of_runs
from service.runs.run_places import taken_of

# Two taps on "started" are one start.
_ONE_START = timedelta(hours=1)
# Nor is seed spread over what was spread within a day, and its run and seed lost from sight.
_ONE_SPREADING = timedelta(days=1)
_CORRECT_IT = "if that is wrong, correct it first"


def check_run(
    connection: sa.Connection,
    values: Mapping[str, Any],
    *,
    now: datetime,
    run_id: int | None = None,
) -> None:
    """Hold the rules of a run that is entered or corrected.

    It may be spread from a date to come, while its seed soaks or before. A run that nobody
    harvested may be followed by the next one, a day or more later, which ends it.

    Raises
    ------
    Refusal
        If it is to be spread more than 14 days from now, was soaked after that or more than 14 days
        before; would begin after something was taken of it, or before all was taken, or put into
        other trays, of the run before in its tray; or would last into the next one.
    Conflict
        If the tray has another run that starts within the hour, or within a day while the first
        of the two was not ended.
    """
    spread_at, soaked_at = values["spread_at"], values["soaked_at"]
    begins_at = values.get("in_tray_from") or spread_at
    if soaked_at is not None and soaked_at > spread_at:
        raise Refusal(
            "soaked_at",
            f"must not be later than spread_at, got {_utc(soaked_at)} and {_utc(spread_at)}",
        )
    if soaked_at is not None and spread_at - soaked_at > LONGEST_SOAK:
        raise Refusal(
            "soaked_at",
            f"must be at most {LONGEST_SOAK.days} days before spread_at, got {_utc(soaked_at)} "
            f"and {_utc(spread_at)}",
        )
    refuse_ahead("spread_at", spread_at, now, furthest=RUN_FURTHEST_AHEAD)
    others = [one for one in run_spans(connection, values["tray_id"]) if one.id != run_id]
    for other in others:
        if abs(other.begins_at - begins_at) < _ONE_START:
            raise Conflict(
                "spread_at",
                f"must be an hour or more from run {other.id} of this tray, spread "
                f"{_utc(other.begins_at)}; correct that run instead",
            )
    if run_id is not None:
        _check_own(connection, run_id, begins_at, spread_at)
    _check_neighbours(connection, others, run_id, values["tray_id"], begins_at)


def _check_own(
    connection: sa.Connection, run_id: int, begins_at: datetime, spread_at: datetime
) -> None:
    """Refuse a run that begins after a part of it was taken or put elsewhere."""
    taken = harvests_of_runs(connection).get(run_id, ())
    if taken and taken[0].harvested_at < begins_at:
        raise Refusal(
            "spread_at",
            f"must not be later than the harvest at {_utc(taken[0].harvested_at)}, "
            f"got {_utc(begins_at)}",
        )
    parted = [part.begins_at for part in run_calendar(connection).parts.get(run_id, ())]
    if parted and min(parted) < spread_at:
        raise Refusal(
            "spread_at",
            "must not be later than when a part was put into another tray, "
            f"{_utc(min(parted))}, got {_utc(spread_at)}",
        )


def _check_neighbours(
    connection: sa.Connection,
    others: Iterable[RunSpan],
    run_id: int | None,
    tray_id: int,
    begins_at: datetime,
) -> None:
    """Refuse a run that lies in its tray while another one is taken there, or the other way."""
    harvests = harvests_of_runs(connection)
    moved = run_id is not None and span_of(connection, run_id).tray_id != tray_id
    field = "tray" if moved else "spread_at"
    own = () if run_id is None else harvests.get(run_id, ())
    for other in others:
        taken = harvests.get(other.id, ())
        where = f"tray {other.number}"
        if other.begins_at > begins_at and own and own[-1].harvested_at > other.begins_at:
            raise Refusal(
                field,
                f"must not let this run, harvested at {_utc(own[-1].harvested_at)}, lie in {where} "
                f"when run {other.id} began there at {_utc(other.begins_at)}; {_CORRECT_IT}",
            )
        if other.begins_at < begins_at and taken and taken[-1].harvested_at > begins_at:
            rule = f"must not be earlier than the harvest of {where} at "
            if moved:
                rule = f"must be free at {_utc(begins_at)}, but {where} was harvested at "
            raise Refusal(
                field, f"{rule}{_utc(taken[-1].harvested_at)} (run {other.id}); {_CORRECT_IT}"
            )
        first = taken if other.begins_at < begins_at else own
        apart = abs(other.begins_at - begins_at)
        if apart < _ONE_SPREADING and not any(harvest.ends_run for harvest in first):
            raise Conflict(
                field,
                f"must be a day or more from run {other.id} of {where}, spread "
                f"{_utc(other.begins_at)}, while the first of the two is not ended; correct that "
                "run, or write down its end first",
            )
        part = _last_part(connection, other)
        if part is not None and other.begins_at < begins_at < part.begins_at:
            raise Refusal(
                field,
                f"must not be earlier than {_utc(part.begins_at)}, when a part of run {other.id} "
                f"was put from {where} into tray {part.number}; {_CORRECT_IT}",
            )


def _last_part(connection: sa.Connection, span: RunSpan) -> RunSpan | None:
    """The part of a run's own tray that was last put into another one."""
    parts = taken_of(run_calendar(connection), span)
    return max(parts, key=lambda part: part.begins_at, default=None)


def check_harvest(
    connection: sa.Connection, values: Mapping[str, Any], *, harvest_id: int | None = None
) -> None:
    """Hold the rules of a harvest that is entered or corrected.

    Raises
    ------
    Refusal
        If it lies before its run's spreading, after its tray was spread again, or is of a whole
        tray whose run was harvested whole already, or of which a part was put into another tray
        later.
    """
    span, harvested_at = span_of(connection, values["run_id"]), values["harvested_at"]
    if values["reason"] == EndReason.NEXT_RUN:
        raise Refusal("reason", "must be harvested, thrown or other")
    if harvested_at < span.begins_at:
        what = "spread_at" if span.split_from_id is None else "in_tray_from"
        raise Refusal(
            "harvested_at",
            f"must not be earlier than {what} {_utc(span.begins_at)}, got {_utc(harvested_at)}",
        )
    following = next(
        (one for one in run_spans(connection, span.tray_id) if one.begins_at > span.begins_at), None
    )
    if following is not None and harvested_at > following.begins_at:
        raise Refusal(
            "harvested_at",
            f"must not be later than {_utc(following.begins_at)}, when the tray was spread again "
            f"(run {following.id}), got {_utc(harvested_at)}",
        )
    if not values["ends_run"]:
        return
    _check_only_end(connection, span.id, harvest_id)
    part = _last_part(connection, span)
    if part is not None and harvested_at < part.begins_at:
        raise Refusal(
            "harvested_at",
            f"must not be earlier than {_utc(part.begins_at)}, when a part was put into tray "
            f"{part.number} (run {part.id}), got {_utc(harvested_at)}",
        )


def _check_only_end(connection: sa.Connection, run_id: int, harvest_id: int | None) -> None:
    ends = [one for one in harvests_of_runs(connection).get(run_id, ()) if one.ends_run]
    other = next((one for one in ends if one.id != harvest_id), None)
    if other is not None:
        raise Refusal(
            "harvest",
            "must be of a run that has not ended, but this one ended at "
            f"{_utc(other.harvested_at)} (harvest {other.id}); correct that harvest instead",
        )


def _utc(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"
