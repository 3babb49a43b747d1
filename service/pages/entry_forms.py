"""Forms that correct what was written: filled with what holds now, read as a correction.

Only what was typed over is corrected: a field that still says what it said is left alone, so
that a moment keeps its seconds and a weight its fractions.
"""

from collections.abc import Mapping
from typing import Any, Final

from service.models.base import Change
from service.models.room import PlacementChange, TrayStateChange
from service.models.runs import HarvestChange, RunChange, Seed
from service.pages import harvesting, racks, starting, states_page
from service.pages.filled import Filled, shown_weight, typed_weight
from service.pages.forms import Typed
from service.pages.tray_numbers import tray_numbers
from service.pages.written import HARVESTS, PLACEMENTS, RUNS, Names, Values
from service.refusals import Refusal

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
    "why": "Why it is corrected",
    "entry": "The correction",
}
_SAME: Final[Mapping[str, str]] = {
    "weight_g": "weight",
    "target_shoot_height_mm": "target_height",
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
        One of `service.pages.written.TABLES`.
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
        for name in ("spread_at", "soaked_at", "harvested_at", "placed_at", "since_at")
        if name in row
    }
    defaults = {**moments, "note": row.get("note") or "", **_own(kind, row, names, seed)}
    choices = {
        "part": harvesting.PARTS,
        "reason": harvesting.REASONS,
        "state": states_page.STATES,
        "place": racks.choices(names.standing),
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
            "weight": shown_weight(row["weight_g"], say),
            "part": harvesting.WHOLE if row["ends_run"] else harvesting.PART,
            "reason": row["reason"],
        }
    if kind == PLACEMENTS:
        return {"place": racks.chosen_value(row["shelf_id"], row["position_id"])}
    return {"state": row["state"]}


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
        name: form.typed.text(name)
        for name in ("spread_at", "soaked_at", "harvested_at", "placed_at", "since_at", "note")
        if name in changed
    }
    return _READ[kind](form.typed, changed, names, seed, {**values, "why": form.typed.text("why")})


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
        shown = starting.typed_seed(typed, names.say)
        beyond = [part.model_dump() for part in seed[starting.SEED_ROWS :]]
        values["seed"] = [*shown, *beyond]
    return RunChange.model_validate(values)


def _harvest(
    typed: Typed, changed: set[str], names: Names, _seed: list[Seed], values: dict[str, Any]
) -> Change:
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


_READ: Final = {RUNS: _run, HARVESTS: _harvest, PLACEMENTS: _placement, "tray-states": _state}
