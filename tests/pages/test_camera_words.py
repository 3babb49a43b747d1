"""A camera's first line says how it is now, in sentences with one end."""

import pytest

from service.cameras.camera_health import closed
from tests.pages.house import House
from tests.pages.test_room_forms import words
from tests.service.picture_servers import http_camera, jpeg, sends


def shoot(house: House) -> None:
    assert house.client.post("/set-up/cameras/1/shot", data={}).status_code == 303


def test_a_mended_camera_no_longer_says_that_it_failed(empty_house: House) -> None:
    house = empty_house
    kept = house.client.post(
        "/api/photos", files=[("photo", ("earlier.jpg", jpeg(3), "image/jpeg"))]
    )
    assert kept.status_code == 201
    with http_camera(sends(b"", "text/plain", 401)) as locked:
        form = {"kind": "snapshot", "name": "Top", "address": locked.address()}
        assert house.client.post("/set-up/cameras", data=form).status_code == 303
        shoot(house)
    assert "no photo yet. Its last try: " in words(house.client.get("/set-up/cameras/1"))
    with http_camera(sends(jpeg(3))) as mended:
        answer = house.client.patch("/api/cameras/1", json={"address": mended.address()})
        assert answer.status_code == 200
        shoot(house)
    shown = words(house.client.get("/set-up/cameras/1"))
    assert "it answers, but its picture is in the log already: none of its own yet." in shown
    assert "Its last try" not in shown


def test_a_question_ends_a_sentence(empty_house: House) -> None:
    house = empty_house
    with http_camera(sends(jpeg(3))) as camera:
        form = {"kind": "snapshot", "name": "Top", "address": camera.address()}
        assert house.client.post("/set-up/cameras", data=form).status_code == 303
    shoot(house)
    shown = words(house.client.get("/set-up/cameras/1"))
    assert "is it still starting?" in shown
    assert "?." not in shown


@pytest.mark.parametrize("given", ["answered 401", "answered 401."])
def test_a_sentence_gets_one_full_stop(given: str) -> None:
    assert closed(given) == "answered 401."
