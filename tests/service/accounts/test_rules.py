"""Every route of the application has a rule, and the rule holds for every role."""

from collections.abc import Iterator

import pytest
from anyio.from_thread import start_blocking_portal
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from service.accounts.access_rules import access_rules, rights_needed
from service.accounts.accounts import set_password
from service.accounts.people import PEOPLE
from service.accounts.roles import PEOPLES_ROLES, RIGHTS, Right, Role
from service.accounts.session_cookie import SESSION_COOKIE
from service.accounts.sessions import begin_session, make_token
from service.app import close_service, create_app
from service.models.accounts import NewPerson
from service.settings import Settings
from tests.service.recorded_inspections import RecordedInspector
from tests.service.visitors import ADDRESS

_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    app = create_app(Settings(data=tmp_path_factory.mktemp("rules")), inspector=RecordedInspector())
    yield app
    close_service(app.state.service)


def _routes(app: FastAPI) -> set[tuple[str, str]]:
    routes = set()
    for route in iter_route_contexts(app.routes):
        assert route.path is not None
        # A mount answers every method under its path.
        methods = _METHODS if route.methods is None else route.methods
        routes |= {(method, route.path) for method in methods if method != "HEAD"}
    return routes


def _example(path: str) -> str:
    """An address of a path."""
    return "/".join("1" if part.startswith("{") else part for part in path.split("/"))


def test_every_route_has_a_rule_and_every_rule_a_route(app: FastAPI) -> None:
    routes = _routes(app)
    assert len(routes) > 60
    assert sorted(routes - set(access_rules())) == []
    assert sorted(set(access_rules()) - routes) == []


def test_without_a_log_in_nothing_but_these_answers() -> None:
    free = {rule for rule, right in access_rules().items() if right is Right.ANYONE}
    assert free == {
        ("GET", "/healthz"),
        ("POST", "/api/login"),
        ("GET", "/login"),
        ("POST", "/login"),
        ("GET", "/static/{name}"),
        # Browsers fetch a worker that is a module without cookies.
        ("GET", "/worker.js"),
    }


def test_camera_sends_photos_and_nothing_else() -> None:
    free = {right for right in Right if right in RIGHTS[Role.CAMERA]} - {Right.ANYONE}
    assert {rule for rule, right in access_rules().items() if right in free} == {
        ("POST", "/api/photos")
    }


def test_who_only_reads_changes_no_record() -> None:
    own = {"/api/logout", "/logout", "/api/me/password", "/api/login", "/login"}
    own |= {"/set-up/password", "/set-up/password/log-out-everywhere"}
    may = {rule for rule, right in access_rules().items() if right in RIGHTS[Role.READ_ONLY]}
    assert {path for method, path in may if method != "GET"} == own


def test_each_role_has_all_rights_of_the_one_below() -> None:
    assert RIGHTS[Role.READ_ONLY] < RIGHTS[Role.WORKER] < RIGHTS[Role.OWNER]
    assert RIGHTS[Role.CAMERA] < RIGHTS[Role.WORKER]
    assert RIGHTS[Role.OWNER] == set(Right)
    assert set(RIGHTS) == set(Role)
    assert set(Role) - {Role.CAMERA} == PEOPLES_ROLES


@given(st.sampled_from([*_METHODS, "OPTIONS", "PROPFIND"]), st.text(max_size=30))
def test_what_has_no_rule_is_the_owners(method: str, text: str) -> None:
    assert rights_needed(method, f"/no-such-place/{text}") == {Right.OWN}


def test_path_must_match_from_end_to_end() -> None:
    assert rights_needed("GET", "/healthz") == {Right.ANYONE}
    for path in ("/healthz/", "/healthz/..", "//healthz", "/healthz\n", "/x/healthz", "/HEALTHZ"):
        assert rights_needed("GET", path) == {Right.OWN}
    assert rights_needed("POST", "/healthz") == {Right.OWN}
    assert rights_needed("HEAD", "/openapi.json") == {Right.READ}


def _let_in(app: FastAPI, role: Role | None) -> TestClient:
    client = TestClient(
        app,
        base_url=ADDRESS,
        client=("192.0.2.7", 40_000),
        headers={"Origin": ADDRESS},
        raise_server_exceptions=False,
    )
    service = app.state.service
    if role is None:
        return client
    by = service.entrant()
    with service.database.write() as connection:
        if role in PEOPLES_ROLES:
            new = NewPerson.model_validate({"name": f"some {role}", "role": role})
            person = PEOPLE.add(connection, new, by)
            client.cookies.set(SESSION_COOKIE, begin_session(connection, person.id, by.at))
        else:
            values = {"name": "shelf", "role": str(role), "person_id": 1, "made_at": by.at}
            _, secret = make_token(connection, values)
            client.headers["Authorization"] = f"Bearer {secret}"
    return client


# They end the session that the next request would come with.
_LOG_OUTS = {
    ("POST", path) for path in ("/api/logout", "/logout", "/set-up/password/log-out-everywhere")
}


def test_every_route_keeps_its_rule_for_every_role(app: FastAPI) -> None:
    # An owner would do everything; that an owner may is tested elsewhere.
    _let_in(app, Role.OWNER)
    clients = [(role, _let_in(app, role)) for role in (*(set(Role) - {Role.OWNER}), None)]
    service, passwords = app.state.service, app.state.passwords
    set_password(service, passwords, 1, "barley by the window", service.clock())
    camera = _let_in(app, Role.CAMERA)
    # Without a loop of their own, each request would start one.
    with start_blocking_portal() as portal:
        for role, client in [*clients, (Role.CAMERA, camera)]:
            client.portal = portal
            for method, path in sorted(_routes(app) - _LOG_OUTS):
                right = access_rules().get((method, path), Right.OWN)
                status = client.request(method, _example(path)).status_code
                asked = (role, method, path, status)
                if role is None or (role is Role.CAMERA and client is not camera):
                    # Of a camera's tokens, the one made before the password ended with it.
                    assert (status == 401) == (right is not Right.ANYONE), asked
                else:
                    assert (status == 403) == (right not in RIGHTS[role]), asked
                    assert status != 401, asked
