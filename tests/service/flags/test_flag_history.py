"""What was said of a flag is told once, however often it was worked out."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from service.flags.flag_history import FlagEvent, told_once

MORNING = datetime(2026, 3, 9, 7, tzinfo=UTC)
NOTICED = FlagEvent(
    entry_id=1,
    kind="noticed",
    at=MORNING,
    said_at=MORNING,
    by=None,
    level="look",
    reason="Trays 5 and 6, day 7: ready to harvest.",
    until_at=None,
    verdict=None,
    note=None,
    undone_at=None,
)


def later(hours: float, **said: object) -> FlagEvent:
    moment = MORNING + timedelta(hours=hours)
    return replace(NOTICED, entry_id=int(hours * 60), at=moment, said_at=moment, **said)  # type: ignore[arg-type]


def test_a_sentence_that_did_not_change_is_told_with_its_first_moment() -> None:
    assert told_once([NOTICED, later(12), later(24)]) == [NOTICED]


def test_new_words_a_new_level_and_the_same_after_an_answer_are_told() -> None:
    history = [
        NOTICED,
        later(12, reason="Trays 5 and 6, day 8: ready to harvest."),
        later(13, reason="Trays 5 and 6, day 8: ready to harvest.", level="hold"),
        later(14, kind="snoozed", by="Ada", until_at=MORNING + timedelta(days=1)),
        later(36, reason="Trays 5 and 6, day 8: ready to harvest.", level="hold"),
    ]
    assert told_once(history) == history


def test_of_one_photo_the_last_wording_stands() -> None:
    worded_anew = replace(NOTICED, entry_id=2, reason="Trays 5, 6 and 7, day 7: ready to harvest.")
    assert told_once([NOTICED, worded_anew, later(12)]) == [worded_anew, later(12)]
