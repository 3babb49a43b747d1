"""What is exported is all of the log, and read into an empty room it is the same log again."""

import csv
import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pytest
import sqlalchemy as sa
from alembic.script import ScriptDirectory
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pyarrow import parquet

from service.app import close_service, open_service
from service.archives.archive import FORMAT, ArchiveReader, ArchiveWriter, Manifest
from service.archives.export import export_log
from service.archives.log_import import import_archive
from service.archives.written_tables import Form, csv_member, write_csv, write_json
from service.context import Service
from service.log.columns import METADATA
from service.log.database import MIGRATIONS, Database
from service.log.entries import enter
from service.log.log_tables import SECRET_TABLES, log_tables
from service.log.refusals import Conflict, Refusal
from service.log.schema import CAMERA, PERSON, ROOM
from service.settings import Settings
from tests.service.conftest import START, Room, copied_log
from tests.service.generated_logs import NASTY_TEXTS, Pools, clear, contents, fill, log_of, pools
from tests.service.recorded_inspections import RecordedInspector, photo_bytes, picture_saying

# Whole databases are made and read: a failure is not made smaller, which would take minutes.
generated = hypothesis_settings(
    max_examples=3, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)


@pytest.fixture
def source(tmp_path: Path, migrated_sqlite: Path) -> Iterator[Service]:
    """Another room, on SQLite, that exports come from."""
    copied = copied_log(migrated_sqlite, tmp_path / "source")
    service = open_service(copied, inspector=RecordedInspector())
    yield service
    close_service(service)


@pytest.fixture
def target(settings: Settings) -> Iterator[Service]:
    """A room on each database that they are read into."""
    service = open_service(settings, inspector=RecordedInspector())
    yield service
    close_service(service)


def _export(service: Service, path: Path, *, photos: bool = True) -> Path:
    path.write_bytes(b"".join(export_log(service, photos=photos)))
    return path


def _made(service: Service, made: Pools) -> dict[str, list[dict[str, Any]]]:
    with service.database.write() as connection:
        clear(connection)
        connection.execute(sa.delete(ROOM))
        fill(connection, service.store, made)
        return contents(connection)


@generated
@given(made=pools, form=st.sampled_from(Form))
def test_log_comes_back_table_by_table(
    source: Service, target: Service, tmp_path: Path, made: Pools, form: Form
) -> None:
    before = _made(source, made)
    archive = _export(source, tmp_path / "out.zip")
    import_archive(target, archive, replace=True, form=form)
    after = log_of(target.database)
    for table, rows in before.items():
        assert after[table] == rows, table
    for photo in before["photo"]:
        assert not photo["original_kept"] or target.store.original(photo["sha256"]).exists()


def test_what_was_imported_is_exported_the_same(
    source: Service, target: Service, tmp_path: Path
) -> None:
    _made(source, Pools(2, NASTY_TEXTS, [0.1, 1e22], [START]))
    first = _export(source, tmp_path / "first.zip")
    import_archive(target, first, replace=True)
    with ZipFile(first) as one, ZipFile(_export(target, tmp_path / "second.zip")) as two:
        assert sorted(one.namelist()) == sorted(two.namelist())
        for name in one.namelist():
            # PostgreSQL orders the names within a JSON value; all else is equal byte by byte.
            if name.startswith("tables/") and b"{" not in one.read(name):
                assert two.read(name) == one.read(name), name


def test_room_works_on_after_import(
    source: Service, open_room: Callable[[], Room], tmp_path: Path
) -> None:
    made = Pools(1, ["a"], [0.5], [START])
    _made(source, made)
    room = open_room()
    import_archive(room.service, _export(source, tmp_path / "out.zip"), replace=True)
    before = log_of(room.service.database)["run"]
    run = room.post("/api/runs", tray=91)
    assert run["id"] > max((row["id"] for row in before), default=0)


def _revisions() -> list[str]:
    return [one.revision for one in ScriptDirectory(str(MIGRATIONS)).walk_revisions()]


@pytest.mark.parametrize("revision", _revisions())
def test_export_of_an_earlier_revision_comes_in(
    target: Service, tmp_path: Path, revision: str
) -> None:
    made = Pools(4, ["x", "=1"], [0.25], [START])
    database = Database(f"sqlite:///{tmp_path / 'old.sqlite'}")
    database.migrate(revision)
    writer = ArchiveWriter(tmp_path, START)
    with database.write() as connection:
        fill(connection, target.store, made)
        before, tables = contents(connection, secrets=False), log_tables(connection, secrets=False)
        with writer.member("log.json") as member:
            rows = write_json(member, connection, tables)
        for table in tables:
            with writer.member(csv_member(table.name)) as member:
                write_csv(member, connection, table)
    database.close()
    path = tmp_path / "old.zip"
    path.write_bytes(b"".join(writer.finish(_manifest(writer, revision, rows))))
    writer.close()
    import_archive(target, path, form=Form.CSV)
    after = log_of(target.database)
    assert sum(map(len, before.values())) > 20
    for name, old in before.items():
        shared = [
            {column: row[column] for column in was}
            for row, was in zip(after[name], old, strict=True)
        ]
        assert shared == old, name


def _manifest(writer: ArchiveWriter, revision: str, rows: dict[str, int]) -> Manifest:
    return Manifest(
        kind="export",
        format=FORMAT,
        trayvision="0.0.1",
        schema_revision=revision,
        written_at=START,
        rows=rows,
        photos="none",
        missing_originals=[],
        members=writer.parts,
    )


def test_export_of_a_later_version_is_refused_with_both_versions(
    target: Service, tmp_path: Path
) -> None:
    writer = ArchiveWriter(tmp_path, START)
    path = tmp_path / "later.zip"
    path.write_bytes(b"".join(writer.finish(_manifest(writer, "9999", {}))))
    writer.close()
    with pytest.raises(Conflict, match=r"up to 0\d+; the archive has '9999', .* '0.0.1'"):
        import_archive(target, path)


def test_secrets_stay_out_of_an_export(source: Service, tmp_path: Path) -> None:
    with source.database.write() as connection:
        connection.execute(sa.delete(ROOM))
        fill(connection, source.store, Pools(1, ["SECRET"], [1.0], [START]), secrets=True)
    assert any(log_of(source.database)[table] for table in SECRET_TABLES)
    with ZipFile(_export(source, tmp_path / "out.zip")) as file:
        tables = json.loads(file.read("log.json"))["tables"]
        names = {Path(name).stem for name in file.namelist()}
    assert not SECRET_TABLES & (set(tables) | names)
    assert set(tables) | SECRET_TABLES == set(log_of(source.database))


def test_no_exported_column_is_named_like_a_secret(source: Service) -> None:
    with source.database.read() as connection:
        columns = {
            f"{table.name}.{column.name}"
            for table in log_tables(connection, secrets=False)
            for column in table.c
            if any(word in column.name for word in ("password", "secret", "token", "hash"))
        }
    assert columns == set()


@pytest.mark.parametrize("photos", [False, True])
def test_manifest_tells_what_is_there(room: Room, tmp_path: Path, photos: bool) -> None:
    room.photograph(17, START, height_mm=20.0)
    room.send(picture_saying("no tray"))
    response = room.client.get("/api/export", params={"photos": str(photos).lower()})
    assert response.headers["content-type"] == "application/zip"
    path = tmp_path / "out.zip"
    path.write_bytes(response.content)
    with ArchiveReader(path) as archive:
        archive.verify()
        manifest = archive.manifest
        assert len(archive.names("photos")) == (2 if photos else 0)
    assert manifest.photos == ("all" if photos else "none")
    assert manifest.rows["photo"] == 2
    assert manifest.rows == {
        name: len(rows) for name, rows in log_of(room.service.database, secrets=False).items()
    }


def _people(room: Room, name: str) -> list[dict[str, str]]:
    content = room.client.get("/api/export").content
    with ZipFile(io.BytesIO(content)) as file:
        text = file.read(f"people/{name}.csv").decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_runs_for_people_have_weights_and_their_ratio(room: Room) -> None:
    lot = room.post("/api/lots", name="=B1", grain="wheat")["id"]
    run = room.post(
        "/api/runs",
        tray=17,
        spread_at="2026-02-23T08:00:00+01:00",
        seed=[{"lot_id": lot, "weight_g": 800}],
    )["id"]
    room.post(
        f"/api/runs/{run}/harvests",
        weight_g=3000,
        ends_run=False,
        harvested_at="2026-03-01T08:00:00+01:00",
    )
    room.post(f"/api/runs/{run}/harvests", weight_g=1800, harvested_at="2026-03-02T08:00:00+01:00")
    room.post("/api/runs", tray=18, seed=[{"lot_id": lot}])
    first, second = _people(room, "runs")
    # 4800 g harvested of 800 g of seed; 7 days from 23 February to 2 March 2026.
    assert (first["harvest_weight_g"], first["harvest_to_seed_ratio"]) == ("4800.0", "6.0")
    assert (first["tray"], first["lots"], first["grain"]) == ("17", "'=B1", "wheat")
    assert (first["spread_at"], first["days_from_spread"]) == ("2026-02-23T07:00:00+00:00", "7.0")
    assert first["ended_reason"] == "harvested"
    assert (second["seed_weight_g"], second["harvest_to_seed_ratio"]) == ("", "")


def test_inspections_for_people_are_one_row_a_point(room: Room) -> None:
    run = room.post("/api/runs", tray=17, spread_at="2026-03-01T07:00:00Z")["id"]
    room.photograph(17, START, height_mm=41.0, watering="before")
    room.photograph(18, START, height_mm=7.0)
    rows = {row["tray"]: row for row in _people(room, "inspections")}
    assert set(rows) == {"17", "18"}
    assert rows["17"]["shoot_height_mm"] == "41.0"
    assert (rows["17"]["run_id"], rows["17"]["day_from_spread"]) == (str(run), "1.0")
    assert (rows["18"]["run_id"], rows["18"]["day_from_spread"]) == ("", "")
    assert rows["17"]["taken_at"] == "2026-03-02T07:00:00+00:00"
    assert rows["17"]["watering"] == "before"


def test_room_that_holds_anything_is_refused(room: Room, tmp_path: Path) -> None:
    path = _export(room.service, tmp_path / "out.zip")
    room.post("/api/trays", number=5)
    before = log_of(room.service.database)
    with pytest.raises(Conflict, match=r"room must be empty, but has rows: .*1 in tray"):
        import_archive(room.service, path)
    assert log_of(room.service.database) == before


def test_without_photos_no_record_claims_an_original(
    source: Service, target: Service, tmp_path: Path
) -> None:
    _made(source, Pools(3, ["a"], [1.0], [START]))
    kept = [row for row in log_of(source.database)["photo"] if row["original_kept"]]
    came = import_archive(target, _export(source, tmp_path / "out.zip", photos=False))
    after = log_of(target.database)
    assert kept
    assert came.without_original == len(kept)
    assert not any(row["original_kept"] for row in after["photo"])
    reasons = {row["photo_id"]: row["rule"] for row in after["let_go"]}
    assert {reasons[row["id"]] for row in kept} == {"its original was not in the archive"}


def test_failed_import_leaves_the_room_as_it_was(
    source: Service, target: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _made(source, Pools(3, ["a"], [1.0], [START]))
    path = _export(source, tmp_path / "out.zip")
    before = log_of(target.database)
    execute, written = sa.Connection.execute, []

    def fail_late(self: sa.Connection, statement: Any, *rest: Any, **more: Any) -> Any:
        if self.dialect is target.database.engine.dialect and isinstance(statement, sa.Insert):
            written.append(statement.table.name)
            if len(written) == 6:
                raise RuntimeError("the disk is full")
        return execute(self, statement, *rest, **more)

    monkeypatch.setattr(sa.Connection, "execute", fail_late)
    with pytest.raises(RuntimeError, match="the disk is full"):
        import_archive(target, path, replace=True)
    monkeypatch.undo()
    assert len(written) == 6
    assert log_of(target.database) == before


def test_parquet_holds_what_the_log_holds(room: Room) -> None:
    photo = room.photograph(17, START, height_mm=60.0)
    answer = room.client.get("/api/export", params={"parquet": "true"})
    with ZipFile(io.BytesIO(answer.content)) as archive:
        tables = {
            name: parquet.read_table(
                io.BytesIO(archive.read(f"parquet/{name}.parquet"))
            ).to_pylist()
            for name in ("photo", "tray_inspection", "capture", "room")
        }
    log = log_of(room.service.database)
    assert [row["sha256"] for row in tables["photo"]] == [photo["sha256"]]
    assert tables["photo"][0]["original_kept"] is True
    assert tables["capture"][0]["taken_at"] == START
    assert [row["shoot_height_mm"] for row in tables["tray_inspection"]] == [60.0]
    assert json.loads(tables["tray_inspection"][0]["record"])["tray"] == 17
    assert [len(tables[name]) for name in tables] == [len(log[name]) for name in tables]


def test_parquet_without_its_library_says_what_to_install(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.archives.parquet_tables.find_spec", lambda _name: None)
    response = room.client.get("/api/export", params={"parquet": "true"})
    assert response.status_code == 422
    assert "trayvision[parquet]" in response.json()["detail"]


def test_rows_that_break_a_rule_of_the_log_are_refused(target: Service, tmp_path: Path) -> None:
    writer = ArchiveWriter(tmp_path, START)
    row = '{"run_entry_id": 5, "lot_id": 6, "weight_g": null}'
    with writer.member("log.json") as member:
        member.write(f'{{"tables": {{\n"run_seed": [\n{row}\n]\n}}}}\n'.encode())
    path = tmp_path / "out.zip"
    path.write_bytes(b"".join(writer.finish(_manifest(writer, _revisions()[0], {"run_seed": 1}))))
    writer.close()
    with pytest.raises(Refusal, match="archive must refer only to rows that it holds"):
        import_archive(target, path)


@pytest.mark.parametrize(
    ("word", "rule"),
    [
        (("room", "time_zone", "Mars/Base"), "must be a name of the IANA time zone database"),
        (("room", "tray_size", "big"), "must be LENGTHxWIDTHxDEPTH"),
        (("person", "role", "king"), "must be 'owner', 'worker' or 'read-only', got 'king'"),
        (("camera", "options", {"also_at": ["noon"]}), "must match the pattern"),
    ],
)
@pytest.mark.parametrize("form", Form)
def test_words_that_no_entry_may_have_are_refused(
    source: Service, tmp_path: Path, form: Form, word: tuple[str, str, object], rule: str
) -> None:
    (table, column, value), by = word, source.entrant()
    with source.database.write() as connection:
        enter(connection, PERSON, {"name": "Ann", "role": "owner", "active": True}, by)
        camera = {"name": "C", "kind": "folder", "active": True}
        enter(connection, CAMERA, camera, by)
        columns = METADATA.tables[table]
        connection.execute(sa.update(columns).values({column: value}))
    before = log_of(source.database)
    export = _export(source, tmp_path / "out.zip")
    member = "log.json" if form is Form.JSON else f"tables/{table}.csv"
    with pytest.raises(Refusal) as refused:
        import_archive(source, export, replace=True, form=form)
    assert str(refused.value).startswith(f"{member} row 1 of {table}: {column} ")
    assert rule in str(refused.value)
    assert log_of(source.database) == before


def test_photo_that_came_before_is_known_after_import(
    source: Service, open_room: Callable[[], Room], tmp_path: Path
) -> None:
    room = open_room()
    room.photograph(17, START, height_mm=20.0)
    import_archive(source, _export(room.service, tmp_path / "out.zip"))
    assert log_of(source.database)["photo"] == log_of(room.service.database)["photo"]
    content = photo_bytes({"number": 17, "height_mm": 20.0}, taken_at=START.isoformat())
    assert (
        source.store.original(log_of(source.database)["photo"][0]["sha256"]).read_bytes() == content
    )
