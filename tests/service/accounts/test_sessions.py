"""Whose session or token still holds, whatever else has ended it or has not."""

from service.log.entries import correct
from service.log.schema import PERSON
from tests.service.conftest import Room
from tests.service.visitors import (
    OWNER,
    WORKER,
    browser,
    close_with_people,
    program,
    refused,
    token,
)


def test_sessions_and_tokens_of_a_person_whom_the_log_says_inactive_are_dead(room: Room) -> None:
    ids = close_with_people(room)
    owner, worker = browser(room, OWNER), browser(room, WORKER)
    made = token(owner, name="script", role="worker", person_id=ids["worker"])
    script = program(room, Authorization=f"Bearer {made['secret']}")
    for client in (worker, script):
        assert client.get("/api/today").status_code == 200
    # Written as a restored or imported log has it: nothing there ends what was open.
    with room.service.database.write() as connection:
        by = room.service.entrant()
        correct(connection, PERSON, ids["worker"], {"active": False}, by=by)
    for client in (worker, script):
        refused(client.get("/api/today"), 401)
    assert owner.get("/api/today").status_code == 200
