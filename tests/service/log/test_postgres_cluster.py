"""The server that the tests run on: there on every machine, whoever runs them."""

from pathlib import Path

import psycopg
import pytest

from tests.service import postgres_cluster
from tests.service.postgres_cluster import private_cluster, programs_of_the_wheel


def test_environment_alone_brings_a_server() -> None:
    with private_cluster(programs_of_the_wheel()) as cluster:
        with psycopg.connect(cluster.address) as connection:
            row = connection.execute("SHOW server_version_num").fetchone()
        folder = cluster.address.partition("host=")[2]
    assert row is not None
    # PostgreSQL 14 is the oldest that was still looked after in 2026.
    assert int(row[0]) >= 140_000
    assert not Path(folder).exists()


def test_missing_server_is_said_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(postgres_cluster, "_WHEEL", "no_such_wheel")
    with pytest.raises(FileNotFoundError, match="apt-get install postgresql"):
        programs_of_the_wheel()
