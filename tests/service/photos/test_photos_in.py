"""Photos in: kept once, listed whatever they show, in the right place whenever they come."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from hashlib import sha256

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.photos.ingest import file_name
from service.photos.inspection_job import InspectedPhoto, InspectionJob
from service.settings import Settings
from tests.service.conftest import ON_THIS_MACHINE, START, Room
from tests.service.recorded_inspections import (
    RecordedInspector,
    patch,
    photo_bytes,
    picture_saying,
)


def test_new_photo_is_answered_with_its_inspections(room: Room) -> None:
    answer = room.send(photo_bytes({"number": 17, "cover": 0.4}), watering="before", camera="aisle")
    assert answer.status_code == 201
    (photo,) = answer.json()["photos"]
    assert [tray["tray"] for tray in photo["trays"]] == [17]
    assert photo["trays"][0]["cover"] == {"value": 0.4, "uncertainty": 0.01}
    assert (photo["watering"], photo["camera"], photo["problem"]) == ("before", "aisle", None)


def test_same_bytes_again_give_the_same_record_and_no_second_point(room: Room) -> None:
    room.post("/api/runs", tray=17, spread_at=(START - timedelta(days=4)).isoformat())
    content = photo_bytes({"number": 17, "height_mm": 40.0})
    first = room.send(content, watering="before")
    again = room.send(content, watering="after", taken_at="2026-03-01T10:00:00Z")
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    assert len(room.get("/api/trays/17/curve")["height"]["points"]) == 1
    assert len(room.inspector.jobs) == 1


def test_several_photos_at_once_keep_their_order(room: Room) -> None:
    known = photo_bytes({"number": 3})
    room.send(known)
    answer = room.send(photo_bytes({"number": 5}), known, photo_bytes({"number": 4}))
    assert answer.status_code == 201
    shown = [photo["trays"][0]["tray"] for photo in answer.json()["photos"]]
    assert shown == [5, 3, 4]


class TogetherInspector(RecordedInspector):
    """Measures none of its first photos before all of them are there."""

    def __init__(self, at_once: int) -> None:
        super().__init__()
        self._all_here = threading.Barrier(at_once)

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        self._all_here.wait(60)
        return super().inspect(job)


def test_photos_of_one_request_are_measured_side_by_side(settings: Settings) -> None:
    app = create_app(
        settings.model_copy(update={"inspectors": 3}),
        inspector=TogetherInspector(3),
        clock=lambda: START,
    )
    files = [("photo", ("a.jpg", photo_bytes({"number": n}), "image/jpeg")) for n in (5, 3, 4)]
    with TestClient(app, **ON_THIS_MACHINE) as client:
        answer = client.post("/api/photos", files=files)
        assert answer.status_code == 201, answer.text
        shown = [photo["trays"][0]["tray"] for photo in answer.json()["photos"]]
    assert shown == [5, 3, 4]


def test_photo_that_is_refused_keeps_no_other_out(room: Room) -> None:
    good = photo_bytes({"number": 5}), photo_bytes({"number": 4})
    answer = room.send(good[0], b"", good[1])
    assert answer.status_code == 422
    assert answer.json()["errors"] == [
        {"field": "photo", "rule": "must have a picture in it, but the file photo-1.jpg is empty"}
    ]
    kept = {photo["trays"][0]["tray"] for photo in room.get("/api/photos")["photos"]}
    assert kept == {4, 5}
    again = room.send(*good)
    assert again.status_code == 200
    assert [photo["trays"][0]["tray"] for photo in again.json()["photos"]] == [5, 4]


# As such files begin: a text, ISO 32000-1 (7.5.2), ISO/IEC 14496-12 (4.3), a GIF, one byte.
_NO_PICTURES = {
    "notes.txt": b"soaked 2 kg of barley",
    "feed.pdf": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj",
    "aisle.mp4": b"\0\0\0\x18ftypisom\0\0\x02\0isomiso2",
    "old.gif": b"GIF89a\x01\0\x01\0",
    "short.jpg": b"\xff",
}


@pytest.mark.parametrize("name", _NO_PICTURES)
def test_file_that_is_no_picture_is_refused_and_nothing_of_it_stays(room: Room, name: str) -> None:
    content, good = _NO_PICTURES[name], photo_bytes({"number": 5})
    files = [("photo", (name, content, "image/jpeg")), ("photo", ("5.jpg", good, "image/jpeg"))]
    answer = room.client.post("/api/photos", files=files)
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    begins = ascii(content[:12].decode("latin-1"))
    assert error == {
        "field": "photo",
        "rule": f"must be a picture (JPEG, PNG, WebP, HEIC or TIFF), but {name} is none: it begins "
        f"with {begins}",
    }
    assert [photo["file"] for photo in room.get("/api/photos")["photos"]] == ["5.jpg"]
    data = room.service.settings.data
    assert list(data.rglob(f"*{sha256(content).hexdigest()}*")) == []
    assert len(room.inspector.jobs) == 1


def test_picture_that_is_cut_short_is_kept(room: Room) -> None:
    whole = photo_bytes({"number": 5})
    answer = room.send(whole[:20])
    assert answer.status_code == 201
    (photo,) = answer.json()["photos"]
    assert photo["problem"]
    assert room.client.get(photo["original"]).content == whole[:20]


def test_photo_without_a_tray_is_kept_and_listed_with_its_reason(room: Room) -> None:
    answer = room.send(picture_saying("a blurred wall"))
    assert answer.status_code == 201
    (photo,) = answer.json()["photos"]
    assert photo["problem"] == "No tag of the reference kit could be read."
    listed = room.get("/api/photos", with_problem=True)["photos"]
    assert [one["id"] for one in listed] == [photo["id"]]
    assert room.client.get(photo["original"]).content == picture_saying("a blurred wall")
    assert [one["id"] for one in room.get("/api/today")["not_measured"]] == [photo["id"]]


def test_photo_can_be_assigned_by_hand_and_taken_back(room: Room) -> None:
    room.post("/api/trays", number=9)
    (photo,) = room.send(picture_saying("tags hidden")).json()["photos"]
    assigned = room.post(f"/api/photos/{photo['id']}/trays", tray=9, why="lid over the tags")
    assert assigned["assigned_trays"] == [9]
    assert room.get("/api/trays/9")["latest"]["id"] == photo["id"]
    taken_back = room.client.delete(f"/api/photos/{photo['id']}/trays/9")
    assert taken_back.json()["assigned_trays"] == []
    assert room.get("/api/trays/9")["latest"] is None


def test_same_bytes_at_once_are_one_photo(room: Room) -> None:
    content = photo_bytes({"number": 17, "height_mm": 40.0})
    with ThreadPoolExecutor(8) as senders:
        answers = list(senders.map(lambda _: room.send(content), range(8)))
    assert sorted(answer.status_code for answer in answers) == [*[200] * 7, 201]
    assert len({answer.text for answer in answers}) == 1
    assert len(room.get("/api/photos")["photos"]) == 1


def test_many_photos_at_once_are_all_kept(room: Room) -> None:
    photos = [photo_bytes({"number": number % 7}, note=str(number)) for number in range(24)]
    with ThreadPoolExecutor(8) as senders:
        answers = list(senders.map(room.send, photos))
    assert {answer.status_code for answer in answers} == {201}
    assert len(room.get("/api/photos")["photos"]) == 24
    assert [tray["tray"] for tray in room.get("/api/trays")["trays"]] == list(range(7))


def test_photo_measured_again_stands_beside_what_was_measured(room: Room) -> None:
    photo = room.photograph(17, START, height_mm=40.0)
    again = room.post(f"/api/photos/{photo['id']}/inspect")
    assert again["inspection_id"] > photo["inspection_id"]
    assert again["trays"] == photo["trays"]
    assert len(room.get("/api/photos", tray=17)["photos"]) == 1


def test_photos_are_listed_by_moment_the_last_first(room: Room) -> None:
    ids = {
        hours: room.photograph(17, START - timedelta(hours=hours))["id"] for hours in (30, 6, 12)
    }
    listed = [photo["id"] for photo in room.get("/api/photos", tray=17)["photos"]]
    assert listed == [ids[6], ids[12], ids[30]]
    since = (START - timedelta(hours=13)).isoformat()
    listed = [photo["id"] for photo in room.get("/api/photos", since=since)["photos"]]
    assert listed == [ids[6], ids[12]]
    listed = [photo["id"] for photo in room.get("/api/photos", limit=1, offset=1)["photos"]]
    assert listed == [ids[12]]


def test_moment_that_lies_ahead_is_refused_with_the_services_clock(room: Room) -> None:
    content = photo_bytes({"number": 17})
    answer = room.send(content, taken_at="2036-03-02T07:00:00Z")
    assert answer.status_code == 422
    assert answer.json()["errors"] == [
        {
            "field": "taken_at",
            "rule": "must lie at most a day ahead, got 2036-03-02 07:00 UTC while the service's "
            "clock says 2026-03-02 07:00 UTC",
        }
    ]
    assert room.get("/api/photos")["photos"] == []
    (photo,) = room.send(content).json()["photos"]
    corrected = room.client.patch(
        f"/api/photos/{photo['id']}", json={"taken_at": "2036-03-02T07:00:00Z"}
    )
    assert corrected.status_code == 422
    assert room.get(f"/api/photos/{photo['id']}")["taken_at"] == photo["taken_at"]


@pytest.mark.parametrize(
    ("ahead", "source", "said"),
    [(timedelta(minutes=3), "photo", False), (timedelta(hours=9), "received", True)],
)
def test_mould_in_a_photo_of_a_clock_ahead_is_told_when_it_comes(
    room: Room, ahead: timedelta, source: str, *, said: bool
) -> None:
    room.post("/api/runs", tray=17, spread_at=(START - timedelta(days=5)).isoformat())
    room.photograph(17, START - timedelta(hours=20), height_mm=60.0)
    photo = room.photograph(17, START + ahead, height_mm=65.0, mould=[patch(14.0, 0.97)])
    assert datetime.fromisoformat(photo["taken_at"]) == START
    assert photo["taken_at_from"] == source
    assert photo["photo_said_at"] == ((START + ahead).isoformat()[:-6] + "Z" if said else None)
    assert [hold["tray"] for hold in room.get("/api/today")["holds"]] == [17]


def test_photo_is_taken_no_later_than_it_came_whoever_says_so(room: Room) -> None:
    later = START + timedelta(hours=2)
    answer = room.send(photo_bytes({"number": 17}), taken_at=later.isoformat())
    (photo,) = answer.json()["photos"]
    assert datetime.fromisoformat(photo["taken_at"]) == START
    corrected = room.client.patch(
        f"/api/photos/{photo['id']}", json={"taken_at": later.isoformat()}
    )
    assert corrected.status_code == 422
    assert "must lie at most 15 minutes ahead, got 2026-03-02 09:00 UTC" in corrected.text


def test_clock_set_back_loses_and_reorders_nothing(room: Room) -> None:
    room.post("/api/runs", tray=17, spread_at=(START - timedelta(days=4)).isoformat())
    first = room.photograph(17, START - timedelta(hours=1), height_mm=40.0)
    room.patch(f"/api/photos/{first['id']}", watering="before")
    room.watch.forward(days=-3)
    second = room.photograph(17, START - timedelta(hours=2), height_mm=38.0)
    room.patch(f"/api/photos/{first['id']}", watering="after")
    for path in ("/", "/room", "/trays/17", "/photos", "/api/today", "/api/flags"):
        assert room.client.get(path).status_code == 200
    room.watch.forward(days=3)
    assert room.get("/api/trays/17")["latest"]["id"] == first["id"]
    assert room.get(f"/api/photos/{first['id']}")["watering"] == "after"
    points = room.get("/api/trays/17/curve")["height"]["points"]
    assert [point["photo_id"] for point in points] == [second["id"], first["id"]]


def test_original_is_handed_out_under_a_plain_name(room: Room) -> None:
    content = picture_saying("a wall")
    name = "../../etc/\u202egpj.exe"
    sent = room.client.post("/api/photos", files=[("photo", (name, content, "image/jpeg"))])
    (photo,) = sent.json()["photos"]
    answer = room.client.get(photo["original"])
    assert answer.headers["content-disposition"] == 'attachment; filename="gpj.exe"'
    assert [file_name(one) for one in ("C:\\a\\b.jpg", "..", "x/.bashrc")] == [
        *("b.jpg", "photo", "bashrc")
    ]
