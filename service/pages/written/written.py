"""All that was ever written of one thing, in sentences: who said what when; all of it stands."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from service.accounts.people import people_names
from service.log.entries import history
from service.log.schema import (
    CHORE,
    HARVEST,
    PLACEMENT,
    READING,
    RUN,
    TRAY_STATE,
)
from service.models.runs import EndReason, Seed
from service.pages.forms.filled import Choice
from service.pages.now import air_doubts
from service.pages.room import racks
from service.pages.runs import starting
from service.pages.words import Say
from service.room.rack_log import racks_as_they_stand
from service.room.room_log import numbers_of_trays
from service.room.thing_changes import tray_of_run
from service.runs.run_log import seed_of_entries

Values = Mapping[str, Any]
RUNS, HARVESTS, PLACEMENTS, STATES = "runs", "harvests", "placements", "tray-states"
READINGS, CHORES = "readings", "chores"
TABLES: Final[Mapping[str, sa.Table]] = {
    RUNS: RUN,
    HARVESTS: HARVEST,
    PLACEMENTS: PLACEMENT,
    STATES: TRAY_STATE,
    READINGS: READING,
    CHORES: CHORE,
}
_REASONS: Final = {
    EndReason.HARVESTED: "Harvested",
    EndReason.THROWN: "Thrown",
    EndReason.OTHER: "Taken for something else",
}
_TEMPERATURES: Final = (
    ("", "temperature_c"),
    ("lowest ", "temperature_low_c"),
    ("highest ", "temperature_high_c"),
)
_HUMIDITIES: Final = (
    ("", "humidity_percent"),
    ("lowest ", "humidity_low_percent"),
    ("highest ", "humidity_high_percent"),
)
_STATES: Final = {
    "resting": "Washed and at rest",
    "empty": "Empty, ready to fill",
    "retired": "Out of use",
}


@dataclass(frozen=True)
class Said:
    """One entry.

    Parameters
    ----------
    when, who : str
        When and by whom it was entered.
    words : str
        What it says.
    why : str or None
        Why it was corrected.
    holds : bool
        Nothing stands beside it.
    """

    when: str
    who: str
    words: str
    why: str | None
    holds: bool


@dataclass(frozen=True)
class Written:
    """One thing with all its entries, the first one first.

    Parameters
    ----------
    kind : str
        One of `TABLES`.
    id : int
    words : str
        What holds now.
    withdrawn : bool
    said : tuple of Said
    """

    kind: str
    id: int
    words: str
    withdrawn: bool
    said: tuple[Said, ...]


class Names:
    """What the log's numbers are called, read once for a page.

    Parameters
    ----------
    connection : Connection
    say : Say
    """

    def __init__(self, connection: sa.Connection, say: Say) -> None:
        self._connection = connection
        self.say = say
        self._people = people_names(connection)
        self._trays = numbers_of_trays(connection)
        self.standing = racks_as_they_stand(connection)
        self.lots: tuple[Choice, ...] = starting.lot_choices(connection)

    def tray(self, tray_id: int) -> int:
        """Number of a tray."""
        return self._trays.get(tray_id, -1)

    def tray_of_run(self, run_id: int) -> int:
        """Number of the tray of a run, also of one that was withdrawn."""
        return self.tray(tray_of_run(self._connection, run_id))

    def person(self, person_id: int | None) -> str:
        """Name of whoever entered something."""
        if person_id is None:
            return "nobody who was logged in"
        return self._people.get(person_id, "somebody of before")

    def place(self, shelf_id: int | None, position_id: int | None) -> str:
        """Where something stands."""
        return racks.words_of(self._connection, shelf_id, position_id)

    def seed(self, run_entry_ids: Sequence[int]) -> dict[int, list[Seed]]:
        """Seed by entry of a run."""
        return seed_of_entries(self._connection, run_entry_ids)


def written(connection: sa.Connection, kind: str, thing_id: int, names: Names) -> Written:
    """One thing with its history. Raises NotFound."""
    return _written(kind, history(connection, TABLES[kind], thing_id), names)


def all_written(kind: str, things: Iterable[Sequence[Values]], names: Names) -> list[Written]:
    """Things of a kind from all their entries, as `service.log.entries` gives them."""
    return [_written(kind, rows, names) for rows in things]


def _written(kind: str, rows: Sequence[Values], names: Names) -> Written:
    seed = names.seed([row["id"] for row in rows]) if kind == RUNS else {}
    sentences = [words_of(kind, row, names, seed.get(row["id"], [])) for row in rows]
    if kind == HARVESTS and len({row["run_id"] for row in rows}) > 1:
        trays = [names.tray_of_run(row["run_id"]) for row in rows]
        sentences = [f"Tray {tray}: {said}" for tray, said in zip(trays, sentences, strict=True)]
    last = rows[-1]
    said = tuple(
        Said(
            when=names.say.moment(row["entered_at"]),
            who=names.person(row["entered_by"]),
            words=f"Withdrawn: {words}" if row["withdrawn"] else words,
            why=row["why"],
            holds=row is last,
        )
        for row, words in zip(rows, sentences, strict=True)
    )
    thing_id = last["original_id"] or last["id"]
    return Written(kind, thing_id, sentences[-1], last["withdrawn"], said)


def words_of(kind: str, row: Values, names: Names, seed: Sequence[Seed]) -> str:
    """What one entry says, in a sentence."""
    say = names.say
    if kind == RUNS:
        return _run_words(row, names, seed)
    if kind == HARVESTS:
        how_much = "the whole tray" if row["ends_run"] else "a part of the tray"
        reason = _REASONS[EndReason(row["reason"])]
        words = f"{reason} {say.moment(row['harvested_at'])}, {how_much}, "
        return _with_note(f"{words}{say.weight(row['weight_g'])}", row)
    if kind == PLACEMENTS:
        place = names.place(row["shelf_id"], row["position_id"])
        return f"Tray {names.tray(row['tray_id'])}: {place} from {say.moment(row['placed_at'])}."
    if kind == READINGS:
        return _reading_words(row, names)
    if kind == CHORES:
        return _chore_words(row, say)
    return f"{_STATES[row['state']]} from {say.moment(row['since_at'])}."


def _run_words(row: Values, names: Names, seed: Sequence[Seed]) -> str:
    say = names.say
    tray = names.tray(row["tray_id"])
    if row["in_tray_from"] is not None:
        words = [f"A part put into tray {tray} {say.moment(row['in_tray_from'])}"]
    else:
        words = [f"Tray {tray} spread {say.moment(row['spread_at'])}"]
        if row["soaked_at"] is not None:
            words.append(f"soaked from {say.moment(row['soaked_at'])}")
    words.append(starting.seed_words(seed, names.lots, say))
    if row["target_shoot_height_mm"] is not None:
        words.append(f"to be {say.length(row['target_shoot_height_mm'])} high")
    if row["target_day"] is not None:
        words.append(f"or taken on day {row['target_day']:g}")
    return _with_note(", ".join(words), row)


def _reading_words(row: Values, names: Names) -> str:
    shelf_id = row["shelf_id"]
    place = "The room" if shelf_id is None else names.place(shelf_id, None)
    values = [
        *(
            f"{name}{names.say.temperature(row[field])}"
            for name, field in _TEMPERATURES
            if row[field] is not None
        ),
        *(f"{name}{row[field]:g} % humid" for name, field in _HUMIDITIES if row[field] is not None),
    ]
    words = f"{place}, {names.say.moment(row['read_at'])}: {', '.join(values)}"
    return f"{_with_note(words, row)}{air_doubts.doubt(row, names.say)}"


def _chore_words(row: Values, say: Say) -> str:
    words = [row["title"]]
    if row["planned_for"] is not None:
        words.append(f"planned for {say.moment(row['planned_for'])}")
    done_at = row["done_at"]
    words.append("not done yet" if done_at is None else f"done {say.moment(done_at)}")
    return _with_note(", ".join(words), row)


def _with_note(words: str, row: Values) -> str:
    return f"{words}. Note: {row['note']}" if row["note"] else f"{words}."
