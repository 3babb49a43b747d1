"""What the form that starts trays remembers, and what it is shown with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.log.log_memory import LogMemory
from service.log.schema import SEED_LOT
from service.models.runs import NewRun, Seed
from service.pages.forms.filled import Choice, Filled, shown_weight
from service.pages.forms.forms import Typed
from service.pages.runs.weight_doubts import area_m2
from service.pages.words import Say
from service.room.room_log import the_room, tray_sizes
from service.runs.run_calendar import RunSpan, run_calendar
from service.runs.run_log import grains_of_lots, lots_by_id, seed_of_entries
from trayvision.kit.guide import number_ranges

SEED_ROWS = 3
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


@dataclass(frozen=True)
class AsLastTime:
    """What one tap starts, and in which trays it can: `seed` and `soak` in words.

    `unwashed` are trays that nobody wrote as washed since something was taken out of them.
    """

    seed: str
    soak: str
    trays: tuple[int, ...]
    unwashed: tuple[int, ...]

    @property
    def in_short(self) -> str:
        """The trays, such as "1-20, 25"."""
        return number_ranges(self.trays)

    @property
    def unwashed_in_short(self) -> str:
        """The trays to wash, such as "11, 13"."""
        return number_ranges(self.unwashed)


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
    return tuple(on_another_floor(seed[:SEED_ROWS], areas))


def on_another_floor(seed: Sequence[Seed], areas: float) -> list[Seed]:
    """As much seed on each part of a floor that is `areas` times as large, to the gram."""
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
    lots = lots_by_id(connection)
    return tuple(
        Choice(str(lot.id), f"{lot.name} ({lot.grain})") for lot in reversed([*lots.values()])
    )


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


def as_last_time(
    connection: sa.Connection, say: Say, free: Sequence[int], unwashed: Sequence[int]
) -> tuple[AsLastTime, ...]:
    """What one tap starts in some trays that are free and some that are not washed."""
    numbers = [*free, *unwashed]
    lots: tuple[Choice, ...] = lot_choices(connection)
    groups: dict[tuple[str, float | None], list[int]] = {}
    for number, last in zip(numbers, remembered_of(connection, numbers), strict=True):
        if last.seed:
            what = seed_words(last.seed, lots, say), last.soak_hours
            groups.setdefault(what, []).append(number)
    return tuple(
        AsLastTime(
            seed,
            "" if hours is None else f"soaked {hours:g} hours before",
            tuple(number for number in of_group if number not in unwashed),
            tuple(number for number in of_group if number in unwashed),
        )
        for (seed, hours), of_group in groups.items()
    )
