"""Originals go by the room's rule, the log says so first, and records never go."""

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.context import Service
from service.flags.flag_log import Answer, Notice, answer, notice
from service.log.refusals import Conflict
from service.models.flags import Verdict
from service.photos.photo_store import PhotoStore
from service.photos.retention import DailyRetention, retain, retention_plan, stray_originals
from service.room.room_log import tray_numbered
from service.settings import Settings
from tests.service.conftest import START, Room
from tests.service.generated_logs import log_of
from tests.service.recorded_inspections import picture_saying

# Noon in Vienna in March is 11:00 UTC.
_NOON = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def _ruled(service: Service, **rule: Any) -> Service:
    values = {"keep_photos": "by-rule", "keep_recent_days": 10, **rule}
    settings = service.settings.model_dump() | values
    return Service(
        Settings(**settings),
        service.database,
        service.store,
        service.inspector,
        service.clock,
        service.watchers,
    )


def _photo(room: Room, tray: int, at: datetime) -> int:
    """A photo that comes as soon as it is taken."""
    room.watch.now = max(room.watch.now, at)
    return int(room.photograph(tray, at, height_mm=9.0)["id"])


def _to_go(service: Service) -> set[int]:
    return {one.photo_id for one in retention_plan(service).to_go}


def test_all_are_kept_unless_a_rule_is_set(room: Room) -> None:
    _photo(room, 17, _NOON)
    room.watch.forward(days=4000)
    assert room.get("/api/retention") == {
        "rule": "keep all",
        "kept": 1,
        "let_go": 0,
        "size_bytes": 0,
        "photos": [],
    }


def test_one_a_day_of_each_tray_is_the_nearest_to_noon_in_the_room(room: Room) -> None:
    morning, noon, evening = (_photo(room, 17, _NOON + timedelta(hours=h)) for h in (-3, 0.5, 5))
    # 23:30 UTC is past midnight in Vienna: the next day, of which it is the only one.
    next_day = _photo(room, 17, datetime(2026, 3, 2, 23, 30, tzinfo=UTC))
    other_tray = _photo(room, 18, _NOON + timedelta(hours=9))
    room.watch.forward(days=30)
    service = _ruled(room.service)
    assert _to_go(service) == {morning, evening}
    assert _to_go(_ruled(room.service, keep_one_a_day=False)) == {
        *(morning, noon, evening, next_day, other_tray)
    }


def test_all_of_the_last_days_are_kept(room: Room) -> None:
    old, recent = (_photo(room, 17, START - timedelta(days=days)) for days in (10.5, 9.5))
    assert _to_go(_ruled(room.service, keep_one_a_day=False)) == {old}
    assert recent not in _to_go(_ruled(room.service, keep_one_a_day=False))


def test_photo_assigned_by_hand_counts_for_its_tray(room: Room) -> None:
    room.watch.now = _NOON
    hidden = room.send(picture_saying("hidden tags"), taken_at=_NOON.isoformat()).json()["photos"][
        0
    ]["id"]
    seen = _photo(room, 17, _NOON + timedelta(hours=1))
    room.post(f"/api/photos/{hidden}/trays", tray=17)
    room.watch.forward(days=30)
    assert _to_go(_ruled(room.service)) == {seen}


def _flag(room: Room, tray: int | None, since: datetime, at: datetime, **evidence: Any) -> int:
    with room.service.database.write() as connection:
        told = Notice(
            *("mould", "mould", "look", 1.0),
            since=since,
            at=at,
            reason="a patch",
            look="at the patch",
            evidence=evidence,
            tray_id=None if tray is None else tray_numbered(connection, tray)["id"],
        )
        return notice(connection, told, room.service.entrant())


def test_all_that_carry_a_flag_or_a_verdict_are_kept(room: Room) -> None:
    before, first, last, after = (
        _photo(room, 17, _NOON + timedelta(hours=hours)) for hours in (1, 2, 3, 4)
    )
    named, other = _photo(room, 18, _NOON + timedelta(hours=1)), _photo(room, 19, _NOON)
    flag = _flag(
        room,
        17,
        _NOON + timedelta(hours=2),
        _NOON + timedelta(hours=3),
        places=[{"now": {"photo_id": named}, "before": {"photo_id": before}}],
    )
    room.watch.forward(days=30)
    service = _ruled(room.service, keep_one_a_day=False)
    assert _to_go(service) == {after, other}
    assert _to_go(_ruled(service, keep_flagged=False)) == {before, first, last, after, named, other}
    with room.service.database.write() as connection:
        said = Answer("verdict", verdict=Verdict.ROOT_HAIRS)
        answer(connection, flag, said, room.service.entrant())
    assert not {before, first, last, named} & _to_go(service)


def test_all_trays_of_a_flag_of_several_keep_their_photos(room: Room) -> None:
    early, _, _, other = (
        _photo(room, tray, _NOON + timedelta(hours=hours))
        for tray, hours in ((17, 1), (17, 2), (18, 3), (19, 3))
    )
    since, at = (_NOON + timedelta(hours=hours) for hours in (2, 3))
    _flag(room, None, since, at, trays=[17, 18])
    room.watch.forward(days=30)
    assert _to_go(_ruled(room.service, keep_one_a_day=False)) == {early, other}


def test_files_that_no_record_names_are_told_when_they_are_old_and_never_deleted(
    room: Room,
) -> None:
    service = _ruled(room.service, keep_recent_days=1)
    let_go = _photo(room, 1, _NOON - timedelta(days=30, hours=5))
    _photo(room, 1, _NOON - timedelta(days=30))
    store, old = service.store, service.clock() - timedelta(days=8)
    cut_off, at_work = store.keep_original("a" * 64, b"old"), store.keep_original("b" * 64, b"new")
    for path in store.folder.rglob("*"):
        os.utime(path, (old.timestamp(),) * 2)
    os.utime(at_work, (service.clock().timestamp(),) * 2)
    assert [one.photo_id for one in retain(service).to_go] == [let_go]
    (stray,) = stray_originals(service)
    assert (stray.place, stray.size_bytes, stray.kept_at) == (str(cut_off), 3, old)
    assert cut_off.exists()
    assert at_work.exists()


def test_records_and_pictures_stay_and_say_why(room: Room) -> None:
    gone, stays = _photo(room, 17, _NOON + timedelta(hours=1)), _photo(room, 17, _NOON)
    room.watch.forward(days=30)
    before, photo = log_of(room.service.database), room.get(f"/api/photos/{gone}")
    assert "2 originals stay" in room.client.get("/set-up/data").text
    plan = retain(_ruled(room.service))
    assert [one.photo_id for one in plan.to_go] == [gone]
    # The room's own rule keeps all again.
    assert room.get("/api/retention")["kept"] == 1
    assert "1 originals stay" in room.client.get("/set-up/data").text
    after = log_of(room.service.database)
    changed = {table for table, rows in before.items() if after[table] != rows}
    assert changed == {"photo", "let_go"}
    assert after["let_go"] == [
        {
            "photo_id": gone,
            "let_go_at": room.watch.now,
            "rule": "keep all of the last 10 days, one a day of each tray, nearest to noon, "
            "all that carry a flag or a verdict",
        }
    ]
    assert room.get(f"/api/photos/{gone}") == photo | {"original": None}
    assert room.client.get(photo["thumbnail"]).content == b"small"
    assert room.client.get(photo["overlay"]).content == b"drawn"
    assert room.client.get(photo["original"]).status_code == 409
    assert room.client.get(f"/api/photos/{stays}/original").status_code == 200
    assert retain(_ruled(room.service)).to_go == ()


def test_missing_pictures_are_drawn_before_the_original_goes(room: Room) -> None:
    photo = room.photograph(17, _NOON, height_mm=9.0)
    room.watch.forward(days=30)
    for name in ("thumbnail.jpg", "tray-17.jpg"):
        room.service.store.derived(photo["sha256"], name).unlink()
    assert len(retain(_ruled(room.service, keep_one_a_day=False)).to_go) == 1
    assert room.client.get(f"/api/photos/{photo['id']}/thumbnail").status_code == 200
    assert room.client.get(f"/api/photos/{photo['id']}/trays/17/view").status_code == 200


def test_original_stays_whose_pictures_cannot_be_drawn(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = room.photograph(17, _NOON, height_mm=9.0)
    room.watch.forward(days=30)
    room.service.store.derived(photo["sha256"], "thumbnail.jpg").unlink()
    monkeypatch.setattr("service.photos.photo_changes.keep_pictures", lambda *_: None)
    plan = retain(_ruled(room.service, keep_one_a_day=False))
    assert (plan.to_go, plan.kept) == ((), 1)
    assert room.service.store.original(photo["sha256"]).exists()


def test_stop_between_log_and_disk_leaves_no_false_claim(
    room: Room, open_room: Callable[[], Room], monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = [room.photograph(17, _NOON + timedelta(hours=h), height_mm=9.0) for h in range(4)]
    room.watch.forward(days=30)
    delete = PhotoStore.let_original_go

    def stop_after_one(store: PhotoStore, sha256: str) -> None:
        delete(store, sha256)
        raise KeyboardInterrupt("stopped")

    monkeypatch.setattr(PhotoStore, "let_original_go", stop_after_one)
    with pytest.raises(KeyboardInterrupt, match="stopped"):
        retain(_ruled(room.service))
    monkeypatch.undo()
    again = open_room()
    _check_claims(again)
    there = [photo for photo in photos if again.service.store.original(photo["sha256"]).exists()]
    assert len(there) == 3
    retain(_ruled(again.service))
    _check_claims(again)
    there = [photo for photo in photos if again.service.store.original(photo["sha256"]).exists()]
    assert [photo["id"] for photo in there] == [photos[0]["id"]]


def _check_claims(room: Room) -> None:
    for photo in log_of(room.service.database)["photo"]:
        there = room.service.store.original(photo["sha256"]).exists()
        assert there or not photo["original_kept"]


def test_photo_that_was_let_go_is_known_and_put_back_when_it_comes_again(room: Room) -> None:
    photo = room.photograph(17, _NOON, height_mm=9.0)
    room.watch.forward(days=30)
    content = room.service.store.original(photo["sha256"]).read_bytes()
    service = _ruled(room.service, keep_one_a_day=False)
    assert len(retain(service).to_go) == 1
    assert room.get("/api/photos")["photos"] == [photo | {"original": None}]
    answer = room.send(content)
    assert (answer.status_code, answer.json()["photos"]) == (200, [photo])
    assert room.get("/api/photos")["photos"] == [photo]
    assert room.client.get(photo["original"]).content == content
    assert room.get("/api/retention")["kept"] == 1
    _check_claims(room)
    # The rule that let it go holds for it as before.
    assert len(retain(service).to_go) == 1
    assert not room.service.store.original(photo["sha256"]).exists()


def test_daily_round_comes_once_a_day_and_waits_for_a_backup(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[datetime] = []
    refuse = [True]

    def counted(service: Service) -> Any:
        if refuse.pop() if refuse else False:
            raise Conflict("retention", "must wait")
        done.append(service.clock())
        return retention_plan(service)

    monkeypatch.setattr("service.photos.retention.retain", counted)
    daily = DailyRetention(_ruled(room.service))
    # 07:00 UTC and each hour after it; the room's midnight is at 23:00 UTC.
    for _ in range(48):
        daily.round()
        room.watch.forward(hours=1)
    assert [f"{moment:%d %H}" for moment in done] == ["02 08", "02 23", "03 23"]


def test_rule_is_held_by_path(settings: Settings, open_room: Callable[[], Room]) -> None:
    room = open_room()
    _photo(room, 17, _NOON)
    room.watch.forward(days=1)
    held = room.post("/api/retention")
    assert (held["rule"], held["kept"], held["let_go"]) == ("keep all", 1, 0)
    assert Path(settings.data / "photos").is_dir()
