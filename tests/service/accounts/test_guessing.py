"""Guessing is slowed down, per name and per address, and stays so across restarts."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from itertools import pairwise

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from service.accounts.guessing import LONGEST_WAIT, guesses_of, wait_after
from service.accounts.passwords import Passwords
from service.log.account_tables import LOGIN_GUESS
from tests.service.conftest import Room
from tests.service.visitors import (
    OWNER,
    QUICK_HASHER,
    browser,
    close,
    program,
    refused,
    use_passwords,
)

_WRONG = {"name": "Anna", "password": "barley by the door"}


class _QuickPasswords(Passwords):
    """Compares without a hash, where only the counting is looked at; counts comparisons."""

    def __init__(self) -> None:
        super().__init__(QUICK_HASHER)
        self.compared: list[str | None] = []

    def matches(self, kept: str | None, password: str) -> bool:
        self.compared.append(kept)
        return kept is not None and password == OWNER["password"]


@pytest.fixture
def passwords(room: Room) -> _QuickPasswords:
    close(room)
    passwords = _QuickPasswords()
    use_passwords(room, passwords)
    return passwords


def test_each_wrong_try_doubles_the_wait(room: Room, passwords: _QuickPasswords) -> None:
    client = program(room)
    for _ in range(2):
        refused(client.post("/api/login", json=_WRONG), 401)
    waits = []
    for _ in range(14):
        refused(client.post("/api/login", json=_WRONG), 401)
        # Too early even the right one is refused, unseen, and makes nobody wait longer.
        compared = len(passwords.compared)
        for _ in range(2):
            answer = client.post("/api/login", json=OWNER)
            refused(answer, 429, "password")
        assert len(passwords.compared) == compared
        waits.append(int(answer.headers["retry-after"]))
        room.watch.forward(seconds=waits[-1])
    assert waits == [*(2**power for power in range(12)), 3600, 3600]
    assert client.post("/api/login", json=OWNER).status_code == 200
    refused(client.post("/api/login", json=_WRONG), 401)
    assert client.post("/api/login", json=OWNER).status_code == 200


def test_names_that_do_not_exist_are_answered_alike(room: Room, passwords: _QuickPasswords) -> None:
    answers = {}
    for name in ("Anna", "Nobody"):
        client = program(room, peer="192.0.2.8")
        tries = [client.post("/api/login", json={**_WRONG, "name": name}) for _ in range(4)]
        answers[name] = [(answer.status_code, answer.text) for answer in tries]
    assert answers["Anna"] == answers["Nobody"]
    # As often compared, one of them with nothing that any password fits.
    assert [kept is None for kept in passwords.compared] == [False] * 3 + [True] * 3


def test_address_is_slowed_whatever_names_it_tries(room: Room, passwords: _QuickPasswords) -> None:
    client = program(room, peer="2001:db8:1:2::7")
    for number in range(20):
        refused(client.post("/api/login", json={**_WRONG, "name": f"name {number}"}), 401)
    neighbour = program(room, peer="2001:db8:1:2:ffff::1")
    answer = neighbour.post("/api/login", json=OWNER)
    refused(answer, 429)
    assert answer.headers["retry-after"] == "1"
    assert program(room, peer="2001:db8:1:3::7").post("/api/login", json=OWNER).status_code == 200
    assert len(passwords.compared) == 21


def test_guesses_at_once_gain_nothing(room: Room, passwords: _QuickPasswords) -> None:
    def guess(number: int) -> int:
        client = program(room, peer=f"192.0.2.{number}")
        return client.post("/api/login", json=_WRONG).status_code

    with ThreadPoolExecutor(8) as pool:
        codes = sorted(pool.map(guess, range(16)))
    assert codes == [401] * 3 + [429] * 13
    assert len(passwords.compared) == 3


def test_wait_outlasts_a_restart_and_is_forgotten_after_a_day(
    open_room: Callable[[], Room],
) -> None:
    room = open_room()
    close(room)
    client = program(room)
    for _ in range(3):
        client.post("/api/login", json=_WRONG)
    again = open_room()
    refused(program(again).post("/api/login", json=OWNER), 429)
    again.watch.forward(hours=24.1)
    refused(program(again).post("/api/login", json=_WRONG), 401)
    with again.service.database.read() as connection:
        rows = connection.execute(sa.select(LOGIN_GUESS)).all()
    assert sorted(row.failures for row in rows) == [1, 1]
    browser(again, OWNER)


def test_own_password_cannot_be_guessed_from_a_session(
    room: Room, passwords: _QuickPasswords
) -> None:
    client = browser(room, OWNER)
    new = {"current": "barley by the door", "password": "rye on the upper shelf"}
    codes = [client.post("/api/me/password", json=new).status_code for _ in range(4)]
    assert codes == [401, 401, 401, 429]
    assert len(passwords.compared) == 4


@given(st.integers(0, 10_000), st.integers(1, 50))
def test_wait_never_shrinks_and_never_passes_an_hour(failures: int, free: int) -> None:
    waits = [wait_after(failures + more, free) for more in range(3)]
    assert all(earlier <= later for earlier, later in pairwise(waits))
    assert timedelta(0) <= waits[-1] <= LONGEST_WAIT
    assert (waits[0] == timedelta(0)) == (failures < free)


@given(st.text(max_size=50), st.one_of(st.none(), st.ip_addresses().map(str), st.text()))
def test_any_name_and_address_has_its_count(name: str, address: str | None) -> None:
    guesses = guesses_of(name, address)
    assert guesses == guesses_of(f"  {name} ", address)
    assert all(len(guess.source) <= 64 for guess in guesses)


def test_names_are_counted_however_they_are_written() -> None:
    assert guesses_of("Anna", None) == guesses_of("ＡＮＮＡ", None)
    assert guesses_of("Anna", None)[0] != guesses_of("Ben", None)[0]


@pytest.mark.usefixtures("passwords")
def test_clock_that_was_ahead_locks_nobody_out(room: Room) -> None:
    client = program(room)
    room.watch.forward(days=365)
    for _ in range(5):
        client.post("/api/login", json=_WRONG)
        room.watch.forward(seconds=5)
    room.watch.forward(days=-365, hours=2)
    assert client.post("/api/login", json=OWNER).status_code == 200
    # From then on tries are counted as ever.
    codes = [client.post("/api/login", json=_WRONG).status_code for _ in range(4)]
    assert codes == [401, 401, 401, 429]
