"""A watched folder: files written slowly, cut off, copied late, brought again."""

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from service.cameras.folder_walk import WHOLE_EVERY, FolderWalk
from tests.service.conftest import START, Room
from tests.service.picture_servers import jpeg

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _look(room: Room, **later: float) -> None:
    app: Any = room.client.app
    room.watch.forward(**later)
    app.state.cameras.look()
    app.state.cameras.finish()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "card").mkdir()
    return tmp_path / "card"


def _watch(room: Room, folder: Path, **said: Any) -> str:
    made = room.post("/api/cameras", name="Card", kind="folder", address=str(folder), **said)
    return f"/api/cameras/{made['id']}/health"


def _names(room: Room) -> list[str]:
    return [photo["file"] for photo in room.get("/api/photos")["photos"]]


def test_file_is_taken_in_once_it_stands_still(room: Room, folder: Path) -> None:
    health = _watch(room, folder)
    path = folder / "IMG_1.jpg"
    path.write_bytes(jpeg())
    os.utime(path, (START.timestamp() - 600,) * 2)
    _look(room)
    assert _names(room) == []
    _look(room, seconds=5)
    assert _names(room) == ["IMG_1.jpg"]
    (photo,) = room.get("/api/photos")["photos"]
    assert (photo["camera"], photo["taken_at"]) == ("Card", "2026-03-02T06:50:00Z")
    assert path.read_bytes() == jpeg()
    assert room.get(health)["shots"][0]["outcome"] == "photo"


def test_file_written_slowly_is_taken_in_whole(room: Room, folder: Path) -> None:
    _watch(room, folder)
    content, path = jpeg(2, size=(640, 480)), folder / "slow.jpg"
    for end in range(4000, len(content), len(content) // 5):
        path.write_bytes(content[:end])
        # Longer than a file must stand still: only its missing end tells that more is to come.
        _look(room, seconds=2)
        _look(room, seconds=4)
        assert _names(room) == []
    path.write_bytes(content)
    _look(room, seconds=2)
    _look(room, seconds=4)
    (photo,) = room.get("/api/photos")["photos"]
    assert room.client.get(photo["original"]).content == content


def test_file_whose_end_never_comes_is_listed_all_the_same(room: Room, folder: Path) -> None:
    _watch(room, folder)
    (folder / "cut.jpg").write_bytes(jpeg()[:-300])
    for minutes in (0, 1, 5):
        _look(room, minutes=minutes)
    assert _names(room) == []
    _look(room, minutes=5)
    assert _names(room) == ["cut.jpg"]
    assert room.get("/api/photos", with_problem=True)["photos"][0]["problem"]


def test_files_are_dealt_with_once_even_after_a_restart(
    open_room: Callable[[], Room], folder: Path
) -> None:
    room = open_room()
    health = _watch(room, folder)
    for number in (1, 2):
        (folder / f"{number}.jpg").write_bytes(jpeg(number))
    _look(room)
    _look(room, seconds=5)
    again = open_room()
    jobs = len(again.inspector.jobs)
    _look(again, seconds=5)
    _look(again, seconds=5)
    assert sorted(_names(again)) == ["1.jpg", "2.jpg"]
    assert len(again.inspector.jobs) == jobs
    assert len(again.get(health)["shots"]) == 2


def test_same_picture_under_another_name_makes_no_second_photo(room: Room, folder: Path) -> None:
    health = _watch(room, folder)
    for name in ("a.jpg", "b.jpg"):
        (folder / name).write_bytes(jpeg())
    _look(room)
    _look(room, seconds=5)
    assert _names(room) == ["a.jpg"]
    assert [shot["outcome"] for shot in room.get(health)["shots"]] == ["same", "photo"]
    assert not room.get(health)["frozen"]


def test_moment_that_a_picture_says_goes_before_that_of_its_file(room: Room, folder: Path) -> None:
    _watch(room, folder, options={"water_cycles": [{"at": "07:30"}]})
    record = Image.Exif()
    record.get_ifd(0x8769)[0x9003] = "2026:03:01 07:45:00"
    file = BytesIO()
    with Image.open(BytesIO(jpeg())) as image:
        image.save(file, "JPEG", exif=record)
    (folder / "exif.jpg").write_bytes(file.getvalue())
    _look(room)
    _look(room, seconds=5)
    # The inspector of these tests reads no record: what is asserted is that none was given.
    assert room.inspector.jobs[-1].taken_at is None


def test_file_from_a_clock_ahead_is_not_taken_in_the_future(room: Room, folder: Path) -> None:
    _watch(room, folder)
    path = folder / "ahead.jpg"
    path.write_bytes(jpeg())
    os.utime(path, (START.timestamp() + 86400 * 400,) * 2)
    _look(room)
    _look(room, seconds=5)
    (photo,) = room.get("/api/photos")["photos"]
    assert datetime.fromisoformat(photo["taken_at"]) == START + timedelta(seconds=5)


def test_file_that_only_its_name_calls_a_picture_is_told_and_left(room: Room, folder: Path) -> None:
    health = _watch(room, folder)
    path = folder / "notes.jpg"
    path.write_text("soaked 2 kg")
    _look(room)
    _look(room, minutes=9)
    assert room.get(health)["shots"] == []
    _look(room, minutes=2)
    _look(room, minutes=2)
    told = room.get(health)
    assert told["sentence"] == (
        "Camera Card gave no photo at its last try: notes.jpg: photo must be a picture (JPEG, PNG, "
        "WebP, HEIC or TIFF), but notes.jpg is none: it begins with 'soaked 2 kg'."
    )
    assert told["consecutive_failures"] == 1
    assert _names(room) == []
    assert path.read_text() == "soaked 2 kg"


def test_other_files_are_left_alone(room: Room, folder: Path) -> None:
    _watch(room, folder)
    (folder / "notes.txt").write_text("soaked 2 kg")
    (folder / ".half.jpg").write_bytes(jpeg())
    (folder / "empty.jpg").touch()
    (folder / "inside.jpg").mkdir()
    _look(room)
    _look(room, minutes=20)
    assert _names(room) == []


def test_subfolders_and_names_in_other_letters_are_read(room: Room, tmp_path: Path) -> None:
    folder = tmp_path / "Kamera für Gerste"
    _watch(room, folder)
    names = ["2026-03-02/12-00.jpg", "2026-03-03/12-00.jpg", "über Regal 1 #2.jpg"]
    for number, name in enumerate([*names, ".trash/old.jpg", "@small/copy.jpg"]):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(jpeg(number))
    (folder / "loop").symlink_to(folder)
    _look(room)
    _look(room, seconds=5)
    assert sorted(_names(room)) == names
    _look(room, seconds=5)
    assert len(_names(room)) == 3


def test_folder_camera_that_was_out_of_use_has_its_hours_again(room: Room, folder: Path) -> None:
    health = _watch(room, folder, options={"silent_after_hours": 3})
    camera = health.removesuffix("/health")
    room.watch.forward(hours=4)
    assert room.get(health)["silent"]
    room.patch(camera, active=False)
    room.watch.forward(days=7)
    room.patch(camera, active=True)
    assert not room.get(health)["silent"]
    room.watch.forward(hours=4)
    # Another name brings no hours.
    room.patch(camera, name="Card of the shed")
    assert room.get(health)["silent"]


def test_folder_that_goes_away_is_told_once_and_silence_after_its_hours(
    room: Room, folder: Path
) -> None:
    health = _watch(room, folder, options={"silent_after_hours": 3})
    folder.rmdir()
    for _ in range(3):
        _look(room, seconds=10)
    told = room.get(health)
    assert told["last_error"] == "folder cannot be read (No such file or directory)"
    assert (told["consecutive_failures"], told["silent"]) == (1, False)
    folder.mkdir()
    (folder / "back.jpg").write_bytes(jpeg())
    _look(room, seconds=10)
    _look(room, seconds=10)
    assert room.get(health)["ok"]
    room.watch.forward(hours=4)
    assert room.get(health)["silent"]


@pytest.mark.parametrize(
    ("days_ago", "believed"),
    # A card from before the camera was entered; longer ago than a year; a clock back in 1970.
    [
        (200, True),
        (366, True),
        (400, False),
        ((START - datetime(1970, 1, 2, tzinfo=UTC)).days, False),
    ],
)
def test_card_is_read_in_late_and_a_clock_gone_back_is_not_believed(
    room: Room, folder: Path, days_ago: int, believed: bool
) -> None:
    _watch(room, folder)
    path = folder / "late.jpg"
    path.write_bytes(jpeg())
    written_at = START - timedelta(days=days_ago)
    os.utime(path, (written_at.timestamp(),) * 2)
    _look(room)
    _look(room, seconds=5)
    (photo,) = room.get("/api/photos")["photos"]
    expected = written_at if believed else START + timedelta(seconds=5)
    assert datetime.fromisoformat(photo["taken_at"]) == expected


def test_first_run_bounds_what_a_card_may_say(room: Room, folder: Path) -> None:
    # Written down afterwards: the room grew before its log and its camera were there.
    first = START - timedelta(days=900)
    room.post("/api/runs", tray=3, spread_at=first.isoformat())
    _watch(room, folder)
    for number, days in ((1, 898), (2, 903)):
        path = folder / f"{number}.jpg"
        path.write_bytes(jpeg(number))
        os.utime(path, ((START - timedelta(days=days)).timestamp(),) * 2)
    _look(room)
    _look(room, seconds=5)
    late, card = room.get("/api/photos")["photos"]
    assert datetime.fromisoformat(card["taken_at"]) == START - timedelta(days=898)
    assert datetime.fromisoformat(late["taken_at"]) == START + timedelta(seconds=5)


def test_name_that_is_no_utf8_comes_in_and_keeps_no_other_out(room: Room, folder: Path) -> None:
    health = _watch(room, folder)
    Path(os.fsdecode(os.fsencode(folder) + b"/a\xffb.jpg")).write_bytes(jpeg(1))
    (folder / "z_good.jpg").write_bytes(jpeg(2))
    for _ in range(3):
        _look(room, seconds=5)
    assert sorted(_names(room)) == ["a\\xffb.jpg", "z_good.jpg"]
    assert [shot["outcome"] for shot in room.get(health)["shots"]] == ["photo"] * 2


def test_file_on_which_the_program_fails_is_told_and_keeps_no_other_out(
    room: Room, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    health = _watch(room, folder)
    for number, name in enumerate(("a.jpg", "b.jpg")):
        (folder / name).write_bytes(jpeg(number))

    def failing(content: bytes) -> bool:
        if content == jpeg(0):
            raise ZeroDivisionError
        return True

    monkeypatch.setattr("service.cameras.camera_folder.is_whole", failing)
    for _ in range(3):
        _look(room, seconds=5)
    assert _names(room) == ["b.jpg"]
    shots = room.get(health)["shots"]
    assert sorted(shot["outcome"] for shot in shots) == ["failed", "photo"]
    assert "a.jpg: the program failed (ZeroDivisionError)" in {shot["error"] for shot in shots}


def test_round_that_fails_is_told_once(
    room: Room, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    health = _watch(room, folder)

    def failing(*_: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("service.cameras.camera_folder._seen", failing)
    for _ in range(3):
        _look(room, seconds=5)
    told = room.get(health)
    assert told["last_error"] == "the program failed (ZeroDivisionError)"
    assert told["consecutive_failures"] == 1


def test_folder_in_which_nothing_comes_or_goes_is_listed_now_and_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "old").mkdir()
    (tmp_path / "new").mkdir()
    for name in ("a.jpg", "old/b.jpg", "new/c.jpg"):
        (tmp_path / name).write_bytes(jpeg())
    listed: list[str] = []
    scandir = os.scandir

    def counted(folder: Path) -> Any:
        listed.append(folder.name)
        return scandir(folder)

    monkeypatch.setattr("service.cameras.folder_walk.os.scandir", counted)
    walk, now = FolderWalk(tmp_path), START
    for _ in range(5):
        found = walk.pictures(now, also=())
        now += timedelta(seconds=5)
    assert found == []
    listed.clear()
    (tmp_path / "new" / "d.jpg").write_bytes(jpeg())
    assert {file.name for file in walk.pictures(now, also=())} == {"new/c.jpg", "new/d.jpg"}
    waiting = walk.pictures(now, also={tmp_path / "old"})
    assert {file.name for file in waiting} == {"old/b.jpg", "new/c.jpg", "new/d.jpg"}
    assert sorted(listed) == ["new", "new", "old"]
    assert len(walk.pictures(now + WHOLE_EVERY, also=())) == 4
    assert len(walk.pictures(START - timedelta(days=1), also=())) == 4
