"""Corrections as the report's page says them: labels for names, the room's units for numbers."""

from collections.abc import Mapping
from typing import Final

from service.pages.chores.chore_words import value_words
from service.pages.words import Say
from service.period_report.corrections import ChangedValue, NamedSeed

_LABELS: Final[Mapping[str, str]] = {
    "tray_id": "tray",
    "shelf_id": "shelf",
    "run_id": "of which",
    "camera_id": "camera",
    "spread_at": "spread",
    "soaked_at": "soaked from",
    "in_tray_from": "in this tray from",
    "target_shoot_height_mm": "target height",
    "target_day": "latest day",
    "weight_g": "weight",
    "weight_kg": "weight of the bag",
    "germination_share": "germination",
    "certificate": "certificate no.",
    "received_at": "received",
    "harvested_at": "taken",
    "ends_run": "the whole tray",
    "reason": "how it ended",
    "read_at": "read",
    "temperature_c": "temperature",
    "temperature_low_c": "lowest temperature",
    "temperature_high_c": "highest temperature",
    "humidity_percent": "humidity",
    "humidity_low_percent": "lowest humidity",
    "humidity_high_percent": "highest humidity",
    "title": "what",
    "done_at": "done",
    "done_by": "done by",
    "taken_at": "taken",
    "taken_at_from": "moment told by",
    "details": "with what, how much",
}


def before_words(change: ChangedValue, say: Say) -> str:
    """Such as "weight: 3.45 kg": what was said first."""
    return f"{_label(change)}: {_said(change.name, change.before, say)}"


def after_words(change: ChangedValue, say: Say) -> str:
    """What it was corrected to."""
    return f"{_label(change)}: {_said(change.name, change.after, say)}"


def _label(change: ChangedValue) -> str:
    return _LABELS.get(change.name, change.name.replace("_", " "))


def _said(name: str, value: object, say: Say) -> str:
    if isinstance(value, NamedSeed):
        return "; ".join(
            lot if grams is None else f"{lot} {value_words('weight_g', grams, say)}"
            for lot, grams in value.parts
        )
    return value_words(name, value, say)
