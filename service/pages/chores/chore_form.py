"""The form of something to do or done: its kind, and with what, how much, how long."""

from collections.abc import Mapping
from typing import Any, Final

import sqlalchemy as sa

from service.log.refusals import Refusal
from service.pages.chores.chore_words import KINDS
from service.pages.forms.filled import Choice, Filled, shown_weight, typed_weight
from service.pages.forms.forms import Typed
from service.pages.forms.tray_numbers import tray_numbers
from service.pages.runs.starting import lot_choices
from service.pages.words import Say
from service.room.room_log import shelf_names

LABELS: Final[Mapping[str, str]] = {
    "title": "Something to do",
    "planned_for": "When",
    "done_at": "Done at",
    "kind": "Kind",
    "shelf": "Where",
    "animals": "Which animals",
    "fed": "Weight fed",
    "refusals": "Left over",
    "fed_trays": "From which trays",
    "fed_lot": "From which seed lot",
    "cleaned": "What was cleaned",
    "product": "With what",
    "amount": "How much of it",
    "minutes": "Left on for",
    "rinsed": "Rinsed",
    "lot": "Seed lot",
    "soak_trays": "For which trays",
    "soaked": "Weight soaked",
}
FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    "feed": ("animals", "fed", "refusals", "fed_trays", "fed_lot"),
    "clean": ("cleaned", "product", "amount", "minutes", "rinsed"),
    "soak": ("lot", "soak_trays", "soaked"),
}
# Under which name each is kept.
_KEPT: Final[Mapping[str, str]] = {
    "fed": "weight_g",
    "refusals": "refusals_g",
    "fed_trays": "trays",
    "fed_lot": "lot_id",
    "soak_trays": "trays",
    "minutes": "contact_minutes",
    "lot": "lot_id",
    "soaked": "weight_g",
}
_YES_NO: Final = (Choice("yes", "Yes"), Choice("no", "No"))
_MOST_MINUTES: Final = 7 * 24 * 60.0
_LONGEST: Final = 200


def chore_form(connection: sa.Connection, defaults: Mapping[str, str], typed: Typed) -> Filled:
    """The form, filled with what is known or with what was typed."""
    before = defaults.get("kind", "other")
    kinds = KINDS if before in KINDS else {before: before.capitalize(), **KINDS}
    choices = {
        "kind": tuple(Choice(kind, words) for kind, words in kinds.items()),
        "shelf": tuple(Choice(str(key), name) for key, name in shelf_names(connection).items()),
        "rinsed": _YES_NO,
        "lot": lot_choices(connection),
    }
    same = {"shelf_id": "shelf", "details": "kind"}
    return Filled(LABELS, {"kind": "other", **defaults}, typed, same, choices)


def shown_details(kind: str, details: Mapping[str, Any] | None, say: Say) -> dict[str, str]:
    """What was written down with a chore, as the fields of its kind take it."""
    shown: dict[str, str] = {}
    for name in FIELDS.get(kind, ()):
        value = (details or {}).get(_KEPT.get(name, name))
        if value is None:
            continue
        if isinstance(value, list):
            shown[name] = ", ".join(map(str, value))
        elif isinstance(value, bool):
            shown[name] = "yes" if value else "no"
        elif name in ("fed", "refusals", "soaked") and isinstance(value, int | float):
            shown[name] = shown_weight(value, say)
        else:
            shown[name] = f"{value:g}" if isinstance(value, float) else str(value)
    return shown


def typed_kind(typed: Typed, before: str = "other") -> str:
    """The kind that was chosen; where none was, the one whose fields were filled in.

    Parameters
    ----------
    typed : Typed
    before : str
        What it was, which may be a kind that the form does not offer.

    Raises
    ------
    Refusal
        If something was filled in that belongs to another kind.
    """
    chosen = typed.text("kind") or "other"
    if chosen not in (*KINDS, before):
        raise Refusal("kind", f"must be one of {', '.join(KINDS)}, got {chosen!r}")
    filled = [
        kind
        for kind, names in FIELDS.items()
        if any(typed.text(name) is not None for name in names)
    ]
    if chosen not in FIELDS and chosen != "water" and len(filled) == 1:
        return filled[0]
    strange = [KINDS[kind].lower() for kind in filled if kind != chosen]
    if strange:
        raise Refusal(
            "kind",
            f"must go with what is filled in: it says {KINDS.get(chosen, chosen).lower()}, but "
            f"fields of {' and '.join(strange)} hold something",
        )
    return chosen


def typed_details(
    typed: Typed, kind: str, say: Say, before: Mapping[str, Any] | None = None
) -> dict[str, Any] | None:
    """What was typed about it, as the log keeps it; None where nothing was. Raises Refusal.

    `before` is what the log holds of it: what the form has no field for is kept.
    """
    ours = {_KEPT.get(name, name) for names in FIELDS.values() for name in names}
    found = {name: value for name, value in (before or {}).items() if name not in ours}
    for name in FIELDS.get(kind, ()):
        value = _typed(typed, name, say)
        if value is not None:
            found[_KEPT.get(name, name)] = value
    fed_g, left_g = found.get("weight_g"), found.get("refusals_g")
    if kind == "feed" and fed_g is not None and left_g is not None and left_g > fed_g:
        raise Refusal(
            "refusals",
            f"must be no more than the {say.weight(fed_g)} fed, got {say.weight(left_g)}: is the "
            "decimal point right?",
        )
    return found or None


def _typed(typed: Typed, name: str, say: Say) -> object:
    text = typed.text(name)
    if text is None:
        return None
    if len(text) > _LONGEST:
        raise Refusal(name, f"must have at most {_LONGEST} signs, got {len(text)}")
    if name == "refusals" and typed.number(name) == 0:
        return 0.0
    if name in ("fed", "refusals", "soaked"):
        return typed_weight(typed, name, say)
    if name == "minutes":
        return _minutes(typed, text)
    if name in ("fed_trays", "soak_trays"):
        return ", ".join(map(str, tray_numbers(typed, name)))
    if name in ("rinsed", "lot", "fed_lot"):
        return _chosen(name, text)
    return text


def _minutes(typed: Typed, text: str) -> float:
    minutes = typed.number("minutes")
    if minutes is None or not 0 < minutes <= _MOST_MINUTES:
        raise Refusal("minutes", f"must be more than 0 and at most {_MOST_MINUTES:g}, got {text!r}")
    return minutes


def _chosen(name: str, text: str) -> object:
    if name != "rinsed" and text.isdecimal():
        return int(text)
    if name == "rinsed" and text in ("yes", "no"):
        return text == "yes"
    raise Refusal(name, f"must be one of those to choose from, got {text!r}")
