"""Two servers on one PostgreSQL: the second is refused, whatever becomes of the connection."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from platform import node

import psycopg
import pytest
from pydantic import SecretStr

from service.log.refusals import Conflict, DatabaseAway
from service.log.server_lock import _SERVERS_LOCK, ServerLock, not_served
from service.settings import Settings
from tests.service.conftest import fresh_database
from tests.service.postgres_cluster import Cluster
from trayvision.__main__ import USAGE_ERROR, main

ROOT = Path(__file__).parents[3]
REFUSED = "database_url must be served by one process only, and Trayvision on "


@pytest.fixture
def settings(cluster: Cluster, tmp_path: Path) -> Settings:
    address = fresh_database(cluster).replace("postgres@", "postgres:hidden@")
    # Tests themselves say when the place is looked after.
    return Settings(data=tmp_path / "a", database_url=SecretStr(address), round_seconds=3600.0)


def test_second_server_is_refused_until_the_first_has_ended(settings: Settings) -> None:
    with ServerLock(settings) as first:
        with pytest.raises(Conflict, match=REFUSED) as refused, ServerLock(settings):
            pass
        first.hold()
    told = str(refused.value)
    assert re.search(rf"on {re.escape(node()[:30])}, since \d{{4}}-\d\d-\d\d \d\d:\d\d UTC,", told)
    assert "serves postgresql://postgres:***@/log_" in told
    assert "hidden" not in told
    with ServerLock(settings):
        pass


def test_room_that_is_served_elsewhere_is_not_replaced(settings: Settings, tmp_path: Path) -> None:
    here = settings.model_copy(update={"data": tmp_path / "b"})
    with (
        ServerLock(settings),
        pytest.raises(Conflict, match="room must not be served while"),
        not_served(here),
    ):
        pass
    with not_served(here), pytest.raises(Conflict, match=REFUSED), ServerLock(settings):
        pass


def test_servers_of_two_databases_do_not_hinder_each_other(
    settings: Settings, cluster: Cluster
) -> None:
    other = settings.model_copy(update={"database_url": SecretStr(cluster.address)})
    with ServerLock(settings), ServerLock(other):
        pass


def test_place_is_taken_again_once_a_lost_database_is_back(
    settings: Settings, cluster: Cluster
) -> None:
    with ServerLock(settings) as first:
        cluster.stop()
        with pytest.raises(DatabaseAway, match="database must answer, and does not"):
            first.hold()
        cluster.start()
        first.hold()
        with pytest.raises(Conflict, match=REFUSED), ServerLock(settings):
            pass


def test_server_whose_place_was_taken_meanwhile_is_told(
    settings: Settings, cluster: Cluster
) -> None:
    with ServerLock(settings) as first:
        cluster.stop()
        cluster.start()
        with ServerLock(settings), pytest.raises(Conflict, match=REFUSED):
            first.hold()
        first.hold()


def test_connection_that_only_this_side_lost_hinders_nobody_for_long(settings: Settings) -> None:
    with ServerLock(settings) as first:
        forgotten, first._connection = first._connection, None
        assert forgotten is not None
        with pytest.raises(DatabaseAway, match="must let a connection go that was lost"):
            first.hold()
        first.hold()
        forgotten.close()


def test_log_in_a_file_needs_no_place_on_a_database(tmp_path: Path) -> None:
    settings = Settings(data=tmp_path)
    with ServerLock(settings), ServerLock(settings) as lock:
        lock.hold()


def test_command_refuses_to_serve_what_is_served(
    settings: Settings,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert settings.database_url is not None
    monkeypatch.setenv("TRAYVISION_DATABASE_URL", settings.database_url.get_secret_value())
    with ServerLock(settings):
        status = main(["serve", "--data", str(tmp_path / "b"), "--port", "0"])
    assert status == USAGE_ERROR
    told = capsys.readouterr().err
    assert f"trayvision serve: {REFUSED}" in told
    assert "hidden" not in told


def test_server_that_is_overtaken_ends_with_the_reason(settings: Settings, tmp_path: Path) -> None:
    assert settings.database_url is not None
    address = settings.database_url.get_secret_value()
    given = {"TRAYVISION_DATABASE_URL": address, "TRAYVISION_ROUND_SECONDS": "0.2"}
    process = subprocess.Popen(
        [sys.executable, "-m", "trayvision", "serve", "--data", str(tmp_path / "b"), "--port=0"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
        env={**os.environ, **given},
    )
    assert process.stderr is not None
    try:
        assert any("running on http://" in line for line in process.stderr)
        with _overtaking(address):
            _, told = process.communicate(timeout=120)
    finally:
        process.kill()
        process.wait()
        process.stderr.close()
    assert process.returncode == USAGE_ERROR
    assert "trayvision serve: database_url must be served by one process only" in told


@contextmanager
def _overtaking(address: str) -> Iterator[None]:
    """Another server in the place, which was never free in between: it stood in line."""
    lock = f"locktype = 'advisory' AND objid = {_SERVERS_LOCK}"
    with (
        psycopg.connect(address, autocommit=True) as other,
        psycopg.connect(address, autocommit=True) as ending,
        ThreadPoolExecutor(1) as pool,
    ):
        taken = pool.submit(other.execute, f"SELECT pg_advisory_lock({_SERVERS_LOCK})")
        in_line = f"SELECT 1 FROM pg_locks WHERE {lock} AND NOT granted"
        while ending.execute(in_line).fetchone() is None:
            assert not taken.done()
        ending.execute(f"SELECT pg_terminate_backend(pid) FROM pg_locks WHERE {lock} AND granted")
        taken.result(60)
        yield
