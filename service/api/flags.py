"""Paths of flags: which trays deserve a look, and what people answer."""

from datetime import datetime
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request, Response

from service.flags.flag_answers import verdicts_out
from service.flags.flag_log import Answer, answer, flag_out, flags
from service.models.base import LARGEST_ID
from service.models.flags import Done, FlagOut, FlagsOut, FlagState, Snooze, VerdictIn, VerdictsOut
from service.photos.evidence_pictures import evidence_picture
from service.photos.ingest import tell_watchers
from service.pictures_out import PICTURE_RESPONSES, jpeg
from service.problems import RESPONSES
from service.room.room_log import in_utc, the_room
from service.route_arguments import By, TheService

router = APIRouter(prefix="/api/flags", tags=["flags"], responses=RESPONSES)

verdicts_router = APIRouter(prefix="/api/verdicts", tags=["flags"], responses=RESPONSES)

FlagId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
Place = Annotated[int, Query(ge=0, le=LARGEST_ID, description="Which place, the first is 0.")]


@router.get("", summary="Flags, most urgent first")
def list_flags(
    service: TheService, state: Annotated[FlagState, Query()] = FlagState.OPEN
) -> FlagsOut:
    """Open ones, unless another state is asked for."""
    with service.database.read() as connection:
        return FlagsOut(flags=flags(connection, service.clock(), state=state))


@router.get("/{flag_id}", summary="One flag")
def get_flag(service: TheService, flag_id: FlagId) -> FlagOut:
    """With its reason and evidence."""
    with service.database.read() as connection:
        return flag_out(connection, flag_id, service.clock())


@router.post("/{flag_id}/snooze", summary="Not now")
def snooze(service: TheService, by: By, flag_id: FlagId, snooze: Snooze) -> FlagOut:
    """The flag comes back by itself."""
    with service.database.write() as connection:
        until = in_utc(snooze.until, the_room(connection))
        out = answer(connection, flag_id, Answer("snoozed", snooze.note, until_at=until), by)
    tell_watchers(service, ())
    return out


@router.post("/{flag_id}/done", summary="Looked at and dealt with")
def done(service: TheService, by: By, flag_id: FlagId, done: Done) -> FlagOut:
    """The same cause stays quiet until it becomes more urgent."""
    with service.database.write() as connection:
        at = _looked_at(connection, done.at)
        out = answer(connection, flag_id, Answer("done", done.note, at=at), by)
    tell_watchers(service, ())
    return out


@router.post("/{flag_id}/verdict", summary="What it was")
def verdict(service: TheService, by: By, flag_id: FlagId, said: VerdictIn) -> FlagOut:
    """Right, or no, it was root hairs, glare, husks or something else: counted for this room."""
    with service.database.write() as connection:
        at = _looked_at(connection, said.at)
        found = Answer("verdict", said.note, verdict=said.verdict, at=at)
        out = answer(connection, flag_id, found, by)
    # Other flags speak of trays on hold.
    tell_watchers(service, ())
    return out


def _looked_at(connection: sa.Connection, at: datetime | None) -> datetime | None:
    return None if at is None else in_utc(at, the_room(connection))


@router.get(
    "/{flag_id}/evidence/now.jpg",
    response_class=Response,
    responses=PICTURE_RESPONSES,
    summary="The place of a flag in the latest photo that shows it",
)
def evidence_now(
    service: TheService, request: Request, flag_id: FlagId, place: Place = 0
) -> Response:
    """Straight from above, ringed, with a length in mm."""
    return jpeg(request, evidence_picture(service, flag_id, "now", place))


@router.get(
    "/{flag_id}/evidence/before.jpg",
    response_class=Response,
    responses=PICTURE_RESPONSES,
    summary="The same place last time",
)
def evidence_before(
    service: TheService, request: Request, flag_id: FlagId, place: Place = 0
) -> Response:
    """At the same scale; a problem where there is no earlier photo."""
    return jpeg(request, evidence_picture(service, flag_id, "before", place))


@verdicts_router.get("", summary="How often flags were right in this room")
def verdicts(service: TheService) -> VerdictsOut:
    """And the evidence at which a look is asked for here, within stated limits."""
    with service.database.read() as connection:
        return verdicts_out(connection)
