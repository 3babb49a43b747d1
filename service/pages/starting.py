"""What the form that starts trays remembers, and what it means once it was sent."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import cast

import sqlalchemy as sa

from service.log_memory import LogMemory
from service.models.runs import Lot, NewLot, NewRun, Seed
from service.pages.filled import Choice, Filled, shown_weight, typed_weight
from service.pages.forms import Typed
from service.pages.weight_doubts import area_m2
from service.pages.words import Say
from service.refusals import Refusal
from service.room_changes import Bag
from service.room_log import the_room, tray_sizes
from service.run_calendar import RunSpan, run_calendar
from service.run_log import grains_of_lots, seed_of_entries
from service.schema import SEED_LOT
from service.things import LOTS
from service.told_moments import LONGEST_SOAK
from trayvision.reference_kit import TraySize

SEED_ROWS = 3
_MOST_LOTS = 1000
_LONGEST_SOAK_HOURS = LONGEST_SOAK / timedelta(hours=1)
LABELS: Mapping[str, str] = {
    "trays": "Trays",
    "spread_at": "Spread",
    "soak_hours": "Soaked before, hours",
    "soaked_at": "Soaked before, hours",
    "lot_1": "Seed lot",
    "weight_1": "Seed in each tray",
    "lot_2": "Second lot",
    "weight_2": "Of the second lot in each tray",
    "lot_3": "Third lot",
    "weight_3": "Of the third lot in each tray",
    "lot_id": "Seed lot",
    "seed": "Seed lots",
    "place": "Where they stand",
    "note": "Note",
    "name": "New bag: name",
    "grain": "New bag: grain",
    "bag_weight": "New bag: weight",
    "weight_kg": "New bag: weight",
    "supplier": "New bag: supplier",
    "germination": "New bag: germination",
}


@dataclass(frozen=True)
class Remembered:
    """What was done last time: what one tap does again.

    Parameters
    ----------
    seed : tuple of Seed
        Lots as the tray's grain, or else the room, was spread last; weights as this tray was, or
        else as much on its floor as on that of the room's last tray.
    soak_hours : float or None
        Between soaking and spreading.
    size : str
        Inner size of the tray that the weights are for, such as 540x280x60, mm.
    """

    seed: tuple[Seed, ...] = ()
    soak_hours: float | None = None
    size: str = ""


def remembered(connection: sa.Connection, number: int | None = None) -> Remembered:
    """What the room's last run, and the last ones of a tray and its grain, say of the next."""
    return remembered_of(connection, [number])[0]


def remembered_of(
    connection: sa.Connection, numbers: Sequence[int | None]
) -> tuple[Remembered, ...]:
    """The same of several trays: each is spread with its own grain, of the bag used last."""
    calendar = run_calendar(connection)
    # The seed of a tray that was split is that of a part.
    whole = calendar.last_whole
    runs = list(whole.values())
    seed_of = seed_of_entries(connection, [span.row["entry_id"] for span in runs])
    grains = grains_of_lots(connection)
    sizes, usual = tray_sizes(connection), the_room(connection).tray_size
    newest: dict[frozenset[str], RunSpan] = {_grains(seed_of, one, grains): one for one in runs}
    found = []
    for number in numbers:
        own = None if number is None else whole.get(number)
        of_own = frozenset() if own is None else _grains(seed_of, own, grains)
        last = newest[of_own] if of_own else (runs[-1] if runs else None)
        if last is None:
            found.append(Remembered())
            continue
        of_last = sizes.get(last.number, usual)
        size = of_last if number is None else sizes.get(number, usual)
        seed = _again(seed_of, last, own, area_m2(size) / area_m2(of_last))
        found.append(Remembered(seed, _soak_hours(last), size))
    return tuple(found)


def _grains(
    seed_of: Mapping[int, list[Seed]], span: RunSpan, grains: Mapping[int, str]
) -> frozenset[str]:
    """Grains of a run's seed; none where no lot was said."""
    seed = seed_of.get(span.row["entry_id"], [])
    return frozenset(grains[part.lot_id] for part in seed if part.lot_id in grains)


def _again(
    seed_of: Mapping[int, list[Seed]], last: RunSpan, own: RunSpan | None, areas: float
) -> tuple[Seed, ...]:
    """Seed of the room's last tray, as much of it as this tray had, or else by their `areas`."""
    seed = seed_of.get(last.row["entry_id"], [])
    if own is not None and len(seed) == 1:
        # Of the bag that is open now.
        weights = [one.weight_g for one in seed_of.get(own.row["entry_id"], [])]
        total = sum(one for one in weights if one is not None)
        if total > 0:
            return (Seed(lot_id=seed[0].lot_id, weight_g=total),)
    return tuple(_on_another_floor(seed[:SEED_ROWS], areas))


def _on_another_floor(seed: Sequence[Seed], areas: float) -> list[Seed]:
    """As much seed on each part of a floor that is so many times as large, to the gram."""
    if abs(areas - 1.0) < 1e-9:
        return list(seed)
    return [
        Seed(
            lot_id=one.lot_id,
            weight_g=None if one.weight_g is None else max(1.0, round(one.weight_g * areas)),
        )
        for one in seed
    ]


def _soak_hours(span: RunSpan) -> float | None:
    soaked_at: datetime | None = span.row["soaked_at"]
    if soaked_at is None:
        return None
    return round((span.spread_at - soaked_at) / timedelta(hours=1), 1)


def lot_choices(connection: sa.Connection) -> tuple[Choice, ...]:
    """Seed lots, the newest first."""
    return _LOTS.of(connection)


def _read_lots(connection: sa.Connection, _before: object) -> tuple[Choice, ...]:
    lots = cast(list[Lot], LOTS.all(connection, limit=_MOST_LOTS))
    return tuple(Choice(str(lot.id), f"{lot.name} ({lot.grain})") for lot in reversed(lots))


_LOTS = LogMemory((SEED_LOT,), _read_lots)


def seed_words(seed: Sequence[Seed], lots: Sequence[Choice], say: Say) -> str:
    """Such as "0.5 kg of Barley, first bag"; "no seed lot" where none is known."""
    names = {lot.value: lot.words for lot in lots}
    parts = []
    for part in seed:
        name = names.get(str(part.lot_id), "a lot that was withdrawn")
        weight = f"{shown_weight(part.weight_g, say)} {say.room.weight_unit} of "
        parts.append(name if part.weight_g is None else f"{weight}{name}")
    return " and ".join(parts) or "no seed lot"


def start_form(
    last: Remembered,
    say: Say,
    *,
    trays: str = "",
    typed: Typed | None = None,
    first_bag: bool = False,
) -> Filled:
    """The form, filled with what was done last time; of a `first_bag`, with a name for it."""
    defaults = {
        "trays": trays,
        "spread_at": say.field_moment(),
        "soak_hours": "" if last.soak_hours is None else f"{last.soak_hours:g}",
        "seed_for": last.size,
        "grain": say.room.grain,
        "name": f"{say.room.grain.capitalize()}, first bag" if first_bag else "",
    }
    for row, part in enumerate(last.seed, start=1):
        defaults[f"lot_{row}"] = str(part.lot_id)
        defaults[f"weight_{row}"] = shown_weight(part.weight_g, say)
    same = {
        "weight_kg": "bag_weight",
        "germination_share": "germination",
        "soaked_at": "soak_hours",
    }
    for row in range(SEED_ROWS):
        same |= {
            f"seed.{row}.lot_id": f"lot_{row + 1}",
            f"seed.{row}.weight_g": f"weight_{row + 1}",
        }
    return Filled(LABELS, defaults, typed or Typed(), same)


def runs_as_last_time(last: Sequence[Remembered], numbers: Sequence[int], say: Say) -> list[NewRun]:
    """Runs that start now with what is remembered of each tray."""
    return [
        NewRun(
            tray=number,
            spread_at=say.now,
            soaked_at=None
            if (hours := of.soak_hours) is None
            else say.now - timedelta(hours=hours),
            seed=list(of.seed),
        )
        for number, of in zip(numbers, last, strict=True)
    ]


def typed_runs(
    form: Filled, numbers: Sequence[int], sizes: Mapping[int, str], say: Say
) -> list[NewRun]:
    """The runs that a form starts.

    Weights that were left as they were shown are for one size of tray; others take theirs by area.

    Raises
    ------
    Refusal
        If something is no number, or stands beside no lot.
    ValidationError
        If a rule of a run is broken.
    """
    typed = form.typed
    common = {"seed": typed_seed(typed, say), "note": typed.text("note")}
    first = NewRun.model_validate(
        {"tray": numbers[0], "spread_at": form.moment("spread_at"), **common}
    )
    hours = typed.number("soak_hours")
    if hours is not None:
        if not 0 <= hours <= _LONGEST_SOAK_HOURS:
            raise Refusal(
                "soak_hours",
                f"must be 0 to {_LONGEST_SOAK_HOURS:g}, got {typed.text('soak_hours')!r}",
            )
        spread_at = say.now if first.spread_at is None else first.spread_at
        first = first.model_copy(update={"soaked_at": spread_at - timedelta(hours=hours)})
    floor_m2 = _shown_floor_m2(typed)
    runs = []
    for number in numbers:
        own_m2 = area_m2(sizes.get(number, say.room.tray_size))
        areas = 1.0 if floor_m2 is None else own_m2 / floor_m2
        seed = _on_another_floor(first.seed, areas)
        runs.append(first.model_copy(update={"tray": number, "seed": seed}))
    return runs


def _shown_floor_m2(typed: Typed) -> float | None:
    """Floor that the weights of a form are for, where nobody typed over them."""
    names = [f"weight_{row}" for row in range(1, SEED_ROWS + 1)]
    size = typed.text("seed_for")
    if size is None or any(typed.text(name) != typed.text(f"{name}_shown") for name in names):
        return None
    try:
        return area_m2(str(TraySize.parse(size)))
    except ValueError:
        return None


def typed_seed(typed: Typed, say: Say) -> list[dict[str, object]]:
    """Seed of the lots that a form names; a new bag stands in the first one's place.

    Raises
    ------
    Refusal
        If a weight is no weight, or stands beside no lot.
    """
    seed: list[dict[str, object]] = []
    for row in range(1 if typed.text("name") is None else 2, SEED_ROWS + 1):
        lot, weight_g = typed.text(f"lot_{row}"), typed_weight(typed, f"weight_{row}", say)
        if lot is None and weight_g is not None:
            raise Refusal(
                f"lot_{row}",
                "must be chosen where a weight is given, got none; of a bag that is new, give the "
                "name below",
            )
        if lot is not None:
            seed.append({"lot_id": lot, "weight_g": weight_g})
    return seed


def typed_bag(form: Filled, say: Say) -> Bag | None:
    """The new bag, where one is named. Raises Refusal and ValidationError.

    A name that was suggested is no bag while nothing is said of what came out of it.
    """
    typed = form.typed
    told = ("weight_1", "bag_weight", "supplier", "germination")
    if typed.text("name") == form.defaults["name"] and not any(map(typed.text, told)):
        return None
    name, germination = typed.text("name"), typed.number("germination")
    weight_g = typed_weight(typed, "bag_weight", say)
    if name is None:
        if weight_g is not None or germination is not None or typed.text("supplier") is not None:
            raise Refusal("name", "must be given for a new bag, got nothing")
        return None
    if germination is not None and not 0 <= germination <= 100:
        raise Refusal("germination", f"must be 0 to 100 percent, got {typed.text('germination')!r}")
    lot = typed.read(
        NewLot,
        "name",
        "grain",
        "supplier",
        weight_kg=None if weight_g is None else weight_g / 1000,
        germination_share=None if germination is None else germination / 100,
    )
    return Bag(lot, typed_weight(typed, "weight_1", say))
