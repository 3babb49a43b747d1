"""The score on a photo's page adds up, and keeps its bounds beside it."""

from dataclasses import replace
from datetime import timedelta

from service.models.photos import PhotoOut
from service.models.room import Room
from service.pages.photos.measure_words import arithmetic_words, part_words, points_words
from service.pages.photos.photo_standing import Standing, Standings
from service.pages.photos.photo_words import photo_words
from service.pages.words import Say
from tests.pages.house import EVENING, House
from tests.score.scored_trays import healthy, patch
from tests.service.recorded_inspections import patch as spot
from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt
from trayvision.score.health_score import score_tray
from trayvision.score.parts import likelihood_words


def test_points_and_the_cap_of_mould_give_the_score(house: House) -> None:
    say = Say(Room.model_validate(house.get("/api/room")), EVENING)
    score = score_tray(healthy(patches=(patch(0.3, 8.0),))).record()
    parts = {part["name"]: part_words(part, say).points for part in score["parts"]}
    assert parts["mould"] == "12.6 of 40 points off"
    assert parts["cover"] == "all 20 points"
    assert arithmetic_words(score).startswith(
        "12.6 of 100 points are off, which leaves 87. Possible mould (unlikely, 3 in 10) allows at "
        "most 70. So it is 70, give or take "
    )


def test_what_could_not_be_told_stands_beside_the_score() -> None:
    hidden = Measurement.unknown("mm", Doubt.STRIP_NOT_SEEN)
    score = score_tray(healthy(shoot_height_mm=hidden)).record()
    assert points_words(score) == "100 of 100 (85 to 100 with what could not be told)"
    assert points_words(score_tray(healthy()).record()) == "100 of 100"


def test_no_mould_seen_is_no_full_mark_where_shoots_hide_the_seed(house: House) -> None:
    score = {"value": 100, "parts": score_tray(healthy()).record()["parts"][:1]}
    open_bed, grown = (
        house.photograph(2, EVENING + timedelta(minutes=at), cover=cover, score=score)["id"]
        for at, cover in ((1, 0.3), (2, 0.9))
    )
    row = '<strong>Mould</strong> <span class="number">{}</span>'
    assert row.format("all 40 points") in house.client.get(f"/photos/{open_bed}").text
    assert row.format("no points off; seed hidden") in house.client.get(f"/photos/{grown}").text


def test_a_photo_tells_how_sure_it_is_alone_and_how_sure_all_photos_are(house: House) -> None:
    say = Say(Room.model_validate(house.get("/api/room")), EVENING)
    photo = PhotoOut.model_validate(
        house.photograph(2, EVENING, mould=[spot(12.0, 0.72)], score={"attention": "look"})
    )
    look = Standing(2, "look", "tray 2 is to be looked at", "/flags/1", sure=True)
    beside = photo_words(photo, say, {}, standing=Standings((look,)))
    assert beside.answer.endswith("may be mould; by this photo alone: likely, 7 in 10.")
    by_itself = photo_words(photo, say, {})
    assert by_itself.answer.endswith("may be mould, likely, 7 in 10.")


def test_an_open_look_says_that_its_likelihood_is_of_all_photos(house: House) -> None:
    for day in (0, 1):
        at = EVENING + timedelta(hours=20 * day)
        house.watch.now = at
        one = house.photograph(2, at, cover=0.6, mould=[spot(6.0 + 2 * day, 0.7)])["id"]
    (flag,) = [one for one in house.get("/api/flags")["flags"] if one["tray"] == 2]
    assert (flag["kind"], flag["level"]) == ("possible mould", "look")
    told = likelihood_words(flag["evidence"]["confidence"])
    shown = house.client.get(f"/photos/{one}").text
    assert f"possible mould (by all its photos together: {told})" in shown
    assert "by this photo alone: likely, 7 in 10" in shown


def test_records_of_earlier_versions_have_neither() -> None:
    score = score_tray(healthy()).record()
    del score["arithmetic"], score["range_words"]
    assert (arithmetic_words(score), points_words(score)) == ("", "100 of 100")


def test_no_points_are_off_no_score(house: House) -> None:
    say = Say(Room.model_validate(house.get("/api/room")), EVENING)
    measures = replace(healthy(patches=(patch(0.6, 30.0),)), doubts=(Doubt.NO_KIT,))
    score = score_tray(measures).record()
    words = [part_words(part, say, counts=False).points for part in score["parts"]]
    assert words[0] == "no score"
    assert not [one for one in words if "off" in one]
