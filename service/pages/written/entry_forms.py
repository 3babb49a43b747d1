"""Forms that correct what was written: filled with what holds now, read as a correction.

Only what was typed over is corrected: a field that still says what it said is left alone, so
that a moment keeps its seconds and a weight its fractions.
"""

from collections.abc import Mapping
from typing import Any, Final

from service.log.refusals import Refusal
from service.models.base import Change
from service.models.room import PlacementChange, Room, TrayStateChange
from service.models.runs import ChoreChange, HarvestChange, ReadingChange, RunChange, Seed
from service.pages.forms.filled import Choice, Filled, shown_weight, typed_weight
from service.pages.forms.forms import Typed
from service.pages.forms.tray_numbers import tray_numbers
from service.pages.room import racks
from service.pages.runs import harvesting, start_sent, starting, states_page
from service.pages.written.written import (
    CHORES,
    HARVESTS,
    PLACEMENTS,
    READINGS,
    RUNS,
    STATES,
    Names,
    Values,
)
from service.room.room_log import in_utc

_LABELS: Final[Mapping[str, str]] = {
    **starting.LABELS,
    **harvesting.LABELS,
    "tray": "Tray",
    "spread_at": "Spread",
    "soaked_at": "Soaked from",
    "target_height": "Target height",
    "target_day": "Latest day",
    "placed_at": "From",
    "place": "Where it stood",
    "state": "What it was",
    "since_at": "From",
    "read_at": "Read",
    "shelf": "Where it was read",
    "now": "Now",
    "lowest": "Lowest",
    "highest": "Highest",
    "humidity": "Humidity",
    "humidity_lowest": "Lowest humidity",
    "humidity_highest": "Highest humidity",
    "title": "What is to be done",
    "planned_for": "Planned for",
    "done_at": "Done",
    "why": "Why it is corrected",
    "entry": "The correction",
}
_MOMENTS: Final = tuple(
    ("spread_at soaked_at harvested_at placed_at since_at read_at planned_for done_at").split()
)
# Fields of a reading by the names that the log gives them.
_DEGREES: Final[Mapping[str, str]] = {
    "now": "temperature_c",
    "lowest": "temperature_low_c",
    "highest": "temperature_high_c",
}
_PERCENT: Final[Mapping[str, str]] = {
    "humidity": "humidity_percent",
    "humidity_lowest": "humidity_low_percent",
    "humidity_highest": "humidity_high_percent",
}
_THE_ROOM: Final = "room"
_SAME: Final[Mapping[str, str]] = {
    "weight_g": "weight",
    "target_shoot_height_mm": "target_height",
    "shelf_id": "shelf",
    **{field: name for name, field in {**_DEGREES, **_PERCENT}.items()},
    **{f"seed.{row}.lot_id": f"lot_{row + 1}" for row in range(starting.SEED_ROWS)},
    **{f"seed.{row}.weight_g": f"weight_{row + 1}" for row in range(starting.SEED_ROWS)},
}
_SEED_FIELDS: Final = tuple(
    f"{name}_{row}" for row in range(1, starting.SEED_ROWS + 1) for name in ("lot", "weight")
)


def entry_form(
    kind: str, row: Values, names: Names, *, seed: list[Seed], typed: Typed | None = None
) -> Filled:
    """The form of one thing.

    Parameters
    ----------
    kind : str
        One of `service.pages.written.written.TABLES`.
    row : mapping
        What holds now of it.
    names : Names
    seed : list of Seed
        Of a run.
    typed : Typed, optional
        What was typed, where the form is shown again.
    """
    say = names.say
    moments = {
        name: say.field_moment(row[name]) if row[name] is not None else ""
        for name in _MOMENTS
        if name in row
    }
    defaults = {**moments, "note": row.get("note") or "", **_own(kind, row, names, seed)}
    choices = {
        "part": harvesting.PARTS,
        "reason": harvesting.REASONS,
        "state": states_page.STATES,
        "place": racks.choices(names.standing),
        "shelf": _shelves(names, defaults.get("shelf", _THE_ROOM)),
    }
    return Filled(_LABELS, defaults, typed or Typed(), _SAME, choices)


def _own(kind: str, row: Values, names: Names, seed: list[Seed]) -> dict[str, str]:
    say = names.say
    if kind == RUNS:
        height, day = row["target_shoot_height_mm"], row["target_day"]
        parts = {
            "tray": str(names.tray(row["tray_id"])),
            "target_height": "" if height is None else f"{say.length_number(height):g}",
            "target_day": "" if day is None else f"{day:g}",
        }
        for number, part in enumerate(seed[: starting.SEED_ROWS], start=1):
            parts[f"lot_{number}"] = str(part.lot_id)
            parts[f"weight_{number}"] = shown_weight(part.weight_g, say)
        return parts
    if kind == HARVESTS:
        return {
            "tray": str(names.tray_of_run(row["run_id"])),
            "weight": shown_weight(row["weight_g"], say),
            "part": harvesting.WHOLE if row["ends_run"] else harvesting.PART,
            "reason": row["reason"],
        }
    if kind == PLACEMENTS:
        return {"place": racks.chosen_value(row["shelf_id"], row["position_id"])}
    if kind == READINGS:
        shelf_id = row["shelf_id"]
        return {
            "shelf": _THE_ROOM if shelf_id is None else str(shelf_id),
            **{
                name: "" if row[field] is None else f"{say.temperature_number(row[field]):g}"
                for name, field in _DEGREES.items()
            },
            **{
                name: "" if row[field] is None else f"{row[field]:g}"
                for name, field in _PERCENT.items()
            },
        }
    return {"title": row["title"]} if kind == CHORES else {"state": row["state"]}


def _shelves(names: Names, chosen: str) -> tuple[Choice, ...]:
    """Where air is read; a shelf that was taken down stays chosen until somebody says else."""
    shelves = [
        Choice(str(shelf.id), f"{rack.name}, {shelf.name}")
        for rack in names.standing
        for shelf in rack.shelves
    ]
    found = (Choice(_THE_ROOM, "the room"), *shelves)
    known = chosen in [one.value for one in found]
    return found if known else (*found, Choice(chosen, "a shelf of before"))


def typed_change(kind: str, form: Filled, names: Names, *, seed: list[Seed]) -> Change:
    """What a form corrects.

    Raises
    ------
    Refusal
        If nothing was typed over, or what was typed is none of what it should be.
    ValidationError
        If a rule of the model is broken.
    """
    changed = {
        name
        for name in {*form.defaults, *_SEED_FIELDS} & set(form.typed.form)
        if form.value(name) != form.defaults.get(name, "")
    }
    if not changed:
        raise Refusal("entry", "must differ from what holds now, but nothing was typed over")
    values: dict[str, Any] = {
        name: form.typed.text(name) for name in (*_MOMENTS, "note") if name in changed
    }
    return _READ[kind](form.typed, changed, names, seed, {**values, "why": form.typed.text("why")})


def with_soak_kept(change: RunChange, row: Values, room: Room) -> tuple[RunChange, float | None]:
    """A correction of the spreading alone, which leaves the seed soaked for as long as it was.

    Returns
    -------
    tuple of RunChange, float or None
        The hours of soaking where it moved.
    """
    told = change.model_fields_set
    if change.spread_at is None or "soaked_at" in told or row["soaked_at"] is None:
        return change, None
    soak = row["spread_at"] - row["soaked_at"]
    moved = {"soaked_at": in_utc(change.spread_at, room) - soak}
    return change.model_copy(update=moved), round(soak.total_seconds() / 3600, 1)


def _run(
    typed: Typed, changed: set[str], names: Names, seed: list[Seed], values: dict[str, Any]
) -> Change:
    if "tray" in changed:
        values["tray"] = tray_numbers(typed, "tray")[0]
    if "target_height" in changed:
        height = typed.number("target_height")
        values["target_shoot_height_mm"] = None if height is None else names.say.mm(height)
    if "target_day" in changed:
        values["target_day"] = typed.number("target_day")
    if changed & set(_SEED_FIELDS):
        shown = start_sent.typed_seed(typed, names.say)
        beyond = [part.model_dump() for part in seed[starting.SEED_ROWS :]]
        values["seed"] = [*shown, *beyond]
    return RunChange.model_validate(values)


def _harvest(
    typed: Typed, changed: set[str], names: Names, _seed: list[Seed], values: dict[str, Any]
) -> Change:
    if "tray" in changed:
        values["tray"] = tray_numbers(typed, "tray")[0]
    if "weight" in changed:
        values["weight_g"] = typed_weight(typed, "weight", names.say)
    if "part" in changed:
        values["ends_run"] = typed.text("part") != harvesting.PART
    if "reason" in changed:
        values["reason"] = typed.text("reason")
    return HarvestChange.model_validate(values)


def _placement(
    typed: Typed, changed: set[str], names: Names, _seed: list[Seed], values: dict[str, Any]
) -> Change:
    if "place" in changed:
        put = racks.placements_from(names.standing, typed.text("place"), 1, None)[0]
        values |= {"shelf_id": put.shelf_id, "position_id": put.position_id}
    return PlacementChange.model_validate(values)


def _state(
    typed: Typed, changed: set[str], _names: Names, _seed: list[Seed], values: dict[str, Any]
) -> Change:
    if "state" in changed:
        values["state"] = typed.text("state")
    return TrayStateChange.model_validate(values)


def _reading(
    typed: Typed, changed: set[str], names: Names, _seed: list[Seed], values: dict[str, Any]
) -> Change:
    if "shelf" in changed:
        shelf = typed.text("shelf")
        values["shelf_id"] = None if shelf in (None, _THE_ROOM) else shelf
    for name in changed & {*_DEGREES}:
        degrees = typed.number(name)
        values[_DEGREES[name]] = None if degrees is None else names.say.celsius(degrees)
    for name in changed & {*_PERCENT}:
        values[_PERCENT[name]] = typed.number(name)
    return ReadingChange.model_validate(values)


def _chore(
    typed: Typed, changed: set[str], names: Names, _seed: list[Seed], values: dict[str, Any]
) -> Change:
    if "title" in changed:
        values["title"] = typed.text("title")
    change = ChoreChange.model_validate(values)
    say = names.say
    if change.done_at is not None and in_utc(change.done_at, say.room) > say.now:
        raise Refusal("done_at", "must not be still to come")
    return change


_READ: Final = {
    RUNS: _run,
    HARVESTS: _harvest,
    PLACEMENTS: _placement,
    STATES: _state,
    READINGS: _reading,
    CHORES: _chore,
}
