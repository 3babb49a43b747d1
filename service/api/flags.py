"""Paths of flags: which trays deserve a look, and what people answer."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.api.dependencies import By, TheService
from service.flag_log import Answer, answer, flag_out, flags
from service.models.base import LARGEST_ID
from service.models.flags import Done, FlagOut, FlagsOut, FlagState, Snooze, VerdictIn
from service.problems import RESPONSES
from service.room_log import in_utc, the_room

router = APIRouter(prefix="/api/flags", tags=["flags"], responses=RESPONSES)

FlagId = Annotated[int, Path(ge=1, le=LARGEST_ID)]


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
        return answer(connection, flag_id, Answer("snoozed", snooze.note, until_at=until), by)


@router.post("/{flag_id}/done", summary="Looked at and dealt with")
def done(service: TheService, by: By, flag_id: FlagId, done: Done) -> FlagOut:
    """The same cause stays quiet until it becomes more urgent."""
    with service.database.write() as connection:
        return answer(connection, flag_id, Answer("done", done.note), by)


@router.post("/{flag_id}/verdict", summary="What it was")
def verdict(service: TheService, by: By, flag_id: FlagId, said: VerdictIn) -> FlagOut:
    """Right, or no, it was root hairs, glare, husks or something else: counted for this room."""
    with service.database.write() as connection:
        return answer(connection, flag_id, Answer("verdict", said.note, verdict=said.verdict), by)
