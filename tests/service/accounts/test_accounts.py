"""People come in by password, session or token, and are out when that ends."""

import logging
import re
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
import sqlalchemy as sa

from service.accounts.gate import OPEN_ROOM_HEADER
from service.accounts.session_cookie import SESSION_COOKIE
from service.log.account_tables import ACCESS_TOKEN, LOGIN_SESSION, PERSON_PASSWORD
from tests.service.conftest import Room
from tests.service.recorded_inspections import photo_bytes
from tests.service.visitors import (
    OWNER,
    READER,
    WORKER,
    browser,
    close,
    close_with_people,
    program,
    refused,
    token,
)


def test_open_room_says_so_and_closes_with_the_first_password(room: Room) -> None:
    assert room.get("/api/me") == {"entrance": "open room", "role": "owner", "person": None}
    assert OPEN_ROOM_HEADER in room.client.get("/api/today").headers
    early = {**WORKER, "role": "worker"}
    refused(room.client.post("/api/people", json=early), 409, "password")
    assert room.get("/api/people") == []
    close(room)
    answer = room.client.get("/api/today")
    refused(answer, 401)
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert OPEN_ROOM_HEADER not in answer.headers
    for path in ("/", "/openapi.json", "/api/photos/1/original", "/docs", "/nothing"):
        refused(room.client.get(path), 401)
    assert room.client.get("/healthz").json() == {"status": "ok"}


def test_closed_room_stays_closed_when_it_starts_again(open_room: Callable[[], Room]) -> None:
    close(open_room())
    refused(open_room().client.get("/api/today"), 401)


def test_log_in_and_out(room: Room) -> None:
    owner_id = close(room)
    client = program(room)
    for wrong in (
        {"name": "Anna", "password": "barley by the door"},
        {"name": "Nobody", "password": OWNER["password"]},
    ):
        problem = refused(client.post("/api/login", json=wrong), 401)
        assert problem["detail"] == "name or password is wrong"
    answer = client.post("/api/login", json={**OWNER, "name": " ANNA"})
    cookie = answer.headers["set-cookie"]
    assert re.match(rf"{SESSION_COOKIE}=[\w-]{{43}}; HttpOnly; Max-Age=2592000; Path=/; ", cookie)
    assert cookie.endswith("SameSite=lax")
    assert answer.headers["cache-control"] == "no-store"
    me = client.get("/api/me").json()
    assert (me["entrance"], me["role"], me["person"]["id"]) == ("session", "owner", owner_id)
    assert client.get("/api/today").status_code == 200

    kept = client.cookies[SESSION_COOKIE]
    client.headers["Origin"] = str(client.base_url)
    assert client.post("/api/logout").status_code == 204
    assert SESSION_COOKIE not in client.cookies
    client.cookies.set(SESSION_COOKIE, kept)
    refused(client.get("/api/today"), 401)


def test_log_in_everywhere_ends_at_once(room: Room) -> None:
    close(room)
    phone, desk = browser(room, OWNER), browser(room, OWNER)
    assert phone.post("/api/logout").status_code == 204
    assert desk.get("/api/me").status_code == 200
    phone = browser(room, OWNER)
    assert desk.post("/api/logout?everywhere=true").status_code == 204
    refused(phone.get("/api/me"), 401)


def test_token_logs_nobody_out(room: Room) -> None:
    ids = close_with_people(room)
    desk = browser(room, OWNER)
    made = token(desk, name="screen", role="read-only", person_id=ids["owner"])
    screen = program(room, Authorization=f"Bearer {made['secret']}")
    refused(screen.post("/api/logout?everywhere=true"), 409, "log-in")
    assert screen.post("/api/logout").status_code == 204
    assert desk.get("/api/me").status_code == 200


def test_owner_sees_where_people_are_logged_in_and_ends_it(room: Room) -> None:
    ids = close_with_people(room)
    owner, phone = browser(room, OWNER), browser(room, WORKER)
    room.watch.forward(hours=3)
    tablet = browser(room, WORKER)
    path = f"/api/people/{ids['worker']}/sessions"
    shown = owner.get(path).json()
    assert [one["person_id"] for one in shown] == [ids["worker"]] * 2
    begun = [datetime.fromisoformat(one["begun_at"]) for one in shown]
    assert begun == [room.watch.now, room.watch.now - timedelta(hours=3)]
    assert owner.delete(f"/api/sessions/{shown[1]['id']}").status_code == 204
    refused(phone.get("/api/me"), 401)
    assert tablet.get("/api/me").status_code == 200
    assert [one["id"] for one in owner.get(path).json()] == [shown[0]["id"]]
    refused(owner.delete(f"/api/sessions/{shown[1]['id']}"), 404, "session")
    refused(tablet.get(path), 403)
    refused(tablet.delete(f"/api/sessions/{shown[0]['id']}"), 403)


def test_chore_is_done_by_who_says_so(room: Room) -> None:
    ids = close_with_people(room)
    owner, worker = browser(room, OWNER), browser(room, WORKER)
    chore = owner.post("/api/chores", json={"kind": "clean", "title": "Clean the drain"}).json()
    assert (chore["done_at"], chore["done_by"]) == (None, None)
    path = f"/api/chores/{chore['id']}"
    done = worker.patch(path, json={"done_at": room.watch.now.isoformat()}).json()
    assert done["done_by"] == ids["worker"]
    # A word added later does not change who did it.
    noted = owner.patch(path, json={"note": "with vinegar"}).json()
    assert (noted["done_by"], noted["entered_by"]) == (ids["worker"], ids["owner"])
    assert owner.patch(path, json={"done_at": None}).json()["done_by"] is None


def test_cookie_is_secure_over_https(room: Room) -> None:
    close(room)
    client = program(room)
    client.base_url = "https://room.example"
    assert "; Secure" in client.post("/api/login", json=OWNER).headers["set-cookie"]


def test_session_expires(room: Room) -> None:
    close(room)
    client = browser(room, OWNER)
    for _ in range(4):
        room.watch.forward(days=6.9)
        assert client.get("/api/me").status_code == 200
    room.watch.forward(days=2.5)
    # 30 days after the log-in, though used all the time.
    refused(client.get("/api/me"), 401)
    client = browser(room, OWNER)
    room.watch.forward(days=7.1)
    refused(client.get("/api/me"), 401)
    browser(room, OWNER)
    with room.service.database.read() as connection:
        assert len(connection.execute(sa.select(LOGIN_SESSION)).all()) == 1


def test_new_password_ends_what_came_before(room: Room) -> None:
    close(room)
    phone, desk = browser(room, OWNER), browser(room, OWNER)
    secret = token(desk, name="script", role="worker")["secret"]
    script = program(room, Authorization=f"Bearer {secret}")
    assert script.get("/api/today").status_code == 200
    new = {"current": OWNER["password"], "password": "rye on the upper shelf"}
    wrong = {**new, "current": "barley by the door"}
    refused(desk.post("/api/me/password", json=wrong), 401)
    refused(script.post("/api/me/password", json=new), 409)
    assert desk.post("/api/me/password", json=new).json()["person"]["name"] == "Anna"
    assert desk.get("/api/me").status_code == 200
    refused(phone.get("/api/me"), 401)
    refused(script.get("/api/today"), 401)
    refused(program(room).post("/api/login", json=OWNER), 401)
    browser(room, {**OWNER, "password": new["password"]})


def test_who_is_made_inactive_is_out(room: Room) -> None:
    ids = close_with_people(room)
    owner, worker = browser(room, OWNER), browser(room, WORKER)
    made = token(owner, name="script", role="worker", person_id=ids["worker"])
    script = program(room, Authorization=f"Bearer {made['secret']}")
    for client in (worker, script):
        assert client.get("/api/today").status_code == 200
    path = f"/api/people/{ids['worker']}"
    assert owner.patch(path, json={"active": False}).json()["active"] is False
    for client in (worker, script):
        refused(client.get("/api/today"), 401)
    refused(program(room).post("/api/login", json=WORKER), 401)
    assert owner.patch(path, json={"active": True, "why": "is back"}).status_code == 200
    for client in (worker, script):
        refused(client.get("/api/today"), 401)
    browser(room, WORKER)
    entries = owner.get(f"{path}/history").json()["entries"]
    assert [row["entered_by"] for row in entries] == [ids["owner"]] * 3
    assert "argon2" not in str(entries)


def test_role_holds_from_the_next_request(room: Room) -> None:
    ids = close_with_people(room)
    owner, worker = browser(room, OWNER), browser(room, WORKER)
    assert worker.post("/api/racks", json={"name": "left"}).status_code == 201
    made = token(owner, name="script", role="worker", person_id=ids["worker"])
    script = program(room, Authorization=f"Bearer {made['secret']}")
    owner.patch(f"/api/people/{ids['worker']}", json={"role": "read-only"})
    for client in (worker, script):
        # A token allows no more than the person in whose hand it is.
        problem = refused(client.post("/api/racks", json={"name": "right"}), 403, "role")
        assert problem["title"] == "Not allowed"
        assert client.get("/api/racks").status_code == 200


def test_an_owner_who_can_log_in_must_stay(room: Room) -> None:
    ids = close_with_people(room)
    owner = browser(room, OWNER)
    path = f"/api/people/{ids['owner']}"
    for change in ({"active": False}, {"role": "worker"}):
        refused(owner.patch(path, json=change), 409, "person")
    assert owner.post("/api/people", json={"name": "Dora", "role": "owner"}).status_code == 201
    refused(owner.patch(path, json={"role": "worker"}), 409, "person")
    dora = owner.get("/api/people").json()[-1]
    answer = owner.put(f"/api/people/{dora['id']}/password", json={"password": "hay and water"})
    assert answer.status_code == 204
    assert owner.patch(path, json={"role": "worker"}).json()["role"] == "worker"


def test_names_are_one_persons_however_they_are_written(room: Room) -> None:
    close(room)
    owner = browser(room, OWNER)
    refused(owner.post("/api/people", json={"name": "aNNa", "role": "worker"}), 409, "name")


def test_changes_say_who(room: Room) -> None:
    ids = close_with_people(room)
    owner, worker = browser(room, OWNER), browser(room, WORKER)
    rack = worker.post("/api/racks", json={"name": "left"}).json()
    assert rack["entered_by"] == ids["worker"]
    changed = owner.patch(f"/api/racks/{rack['id']}", json={"name": "right"}).json()
    assert changed["entered_by"] == ids["owner"]
    made = token(owner, name="phone", role="camera", person_id=ids["worker"])
    camera = program(room, Authorization=f"Bearer {made['secret']}")
    answer = camera.post("/api/photos", files={"photo": photo_bytes({"number": 17})})
    assert answer.status_code == 201
    entries = owner.get(f"/api/photos/{answer.json()['photos'][0]['id']}/history").json()["entries"]
    assert [row["entered_by"] for row in entries] == [ids["worker"]]


def test_camera_token_sends_photos_only(room: Room) -> None:
    close(room)
    owner = browser(room, OWNER)
    made = token(owner, name="shelf 2", role="camera", expires_at="2026-03-09T07:00Z")
    assert made["secret"].startswith("trayvision_")
    camera = program(room, Authorization=f"Bearer {made['secret']}")
    for path in ("/api/photos", "/api/today", "/api/me", "/openapi.json", "/nothing"):
        refused(camera.get(path), 403, "role")
    refused(camera.post("/api/trays", json={"number": 1}), 403, "role")
    photo = {"photo": photo_bytes({"number": 17})}
    assert camera.post("/api/photos", files=photo).status_code == 201
    # The secret is shown once, and used_at is noted.
    listed = owner.get("/api/tokens").json()
    assert made["secret"] not in str(listed)
    assert listed[0]["used_at"] is not None
    room.watch.forward(days=7)
    refused(camera.post("/api/photos", files=photo), 401, "token")


def test_revoked_token_is_out_and_stays_listed(room: Room) -> None:
    close(room)
    owner = browser(room, OWNER)
    made = token(owner, name="script", role="read-only")
    script = program(room, authorization=f"bearer {made['secret']}")
    assert script.get("/api/me").json()["entrance"] == "token"
    path = f"/api/tokens/{made['id']}"
    for _ in range(2):
        assert owner.delete(path).status_code == 204
    revoked = owner.get("/api/tokens").json()
    assert revoked[0]["revoked_at"] is not None
    answer = script.get("/api/today")
    refused(answer, 401, "token")
    refused(owner.delete("/api/tokens/99"), 404)


@pytest.mark.parametrize("shown", ["Bearer ", "Bearer x", "Basic QW5uYTp4", "trayvision_x", ""])
def test_wrong_token_never_falls_back_to_a_session_or_an_open_room(room: Room, shown: str) -> None:
    refused(room.client.get("/api/today", headers={"Authorization": shown}), 401, "token")


def test_token_needs_a_hand(room: Room) -> None:
    body = {"name": "shelf 2", "role": "camera"}
    refused(room.client.post("/api/tokens", json=body), 409, "person_id")
    person = room.post("/api/people", name="Shelf camera", role="worker", active=False)
    refused(room.client.post("/api/tokens", json={**body, "person_id": person["id"]}), 409)
    refused(room.client.post("/api/tokens", json={**body, "person_id": 99}), 404)


def test_secrets_are_kept_as_hashes_and_never_shown_or_logged(
    room: Room, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    close_with_people(room)
    owner = browser(room, OWNER)
    secret = token(owner, name="script", role="worker")["secret"]
    tried = "a secret typed wrong"
    said = [
        owner.post("/api/login", json={"name": tried, "password": tried}),
        owner.post("/api/login", json={"name": "Anna", "pasword": tried, "password": tried}),
        owner.post("/api/login", json={"name": "Anna", "password": [tried]}),
        owner.post("/api/login", content=f'"{tried}"'),
        owner.post("/api/people", json={"name": "Eva", "role": tried, "password": tried}),
        owner.put("/api/people/2/password", json=tried),
        owner.put("/api/people/2/password", json={"password": "short!!"}),
        owner.put("/api/people/2/password", json={"password": "x" * 257}),
        owner.get("/api/people"),
        owner.get("/api/people/1/history"),
        owner.get("/api/tokens"),
        owner.get("/api/me"),
    ]
    shown = "".join(answer.text for answer in said)
    assert [answer.status_code for answer in said] == [401] + [422] * 7 + [200] * 4
    with room.service.database.read() as connection:
        kept = str(
            [
                connection.execute(sa.select(table)).all()
                for table in (PERSON_PASSWORD, LOGIN_SESSION, ACCESS_TOKEN)
            ]
        )
    cookie = owner.cookies[SESSION_COOKIE]
    for word in (tried, "short!!", "x" * 257, OWNER["password"], READER["password"]):
        assert word not in shown + caplog.text + kept
    assert kept.count("$argon2id$v=19$") == 3
    for word in (secret, secret.removeprefix("trayvision_"), cookie):
        assert word not in kept + caplog.text


def test_token_that_would_never_work_is_not_made(room: Room) -> None:
    ids = close_with_people(room)
    owner = browser(room, OWNER)
    for holder, role in (("read-only", "camera"), ("read-only", "worker"), ("worker", "owner")):
        new = {"name": "phone", "role": role, "person_id": ids[holder]}
        problem = refused(owner.post("/api/tokens", json=new), 422, "role")
        assert problem["errors"][0]["rule"] == (
            f"must allow no more than that of the person in whose hand it is, {holder}, got {role}"
        )
    ended = {"name": "phone", "role": "camera", "expires_at": "2026-03-02T07:00Z"}
    problem = refused(owner.post("/api/tokens", json=ended), 422, "expires_at")
    assert problem["errors"][0]["rule"] == "must be still to come, got 2026-03-02 07:00 UTC"
    assert owner.get("/api/tokens").json() == []
    made = token(owner, name="phone", role="camera", person_id=ids["worker"])
    camera = program(room, Authorization=f"Bearer {made['secret']}")
    owner.patch(f"/api/people/{ids['worker']}", json={"role": "read-only"})
    photo = {"photo": photo_bytes({"number": 17})}
    problem = refused(camera.post("/api/photos", files=photo), 403, "role")
    assert problem["errors"][0]["rule"] == (
        "must be another for this: the token's is camera, but that of the person in whose hand it "
        "is, is read-only"
    )
    # What its own role keeps it from is said of that.
    problem = refused(camera.get("/api/today"), 403, "role")
    assert problem["errors"][0]["rule"] == "must be another for this, but it is camera"
