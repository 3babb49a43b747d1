"""The score on a photo's page adds up, and keeps its bounds beside it."""

from dataclasses import replace

from service.models.room import Room
from service.pages.photos.measure_words import arithmetic_words, part_words, points_words
from service.pages.words import Say
from tests.pages.house import EVENING, House
from tests.scored_trays import healthy, patch
from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt
from trayvision.score.health_score import score_tray


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
