"""The page that writes down that several trays were taken, weighed one by one or together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.runs import Harvest, NewHarvest
from service.pages import addresses
from service.pages.forms.filled import Filled, typed_weight
from service.pages.forms.forms import Typed, TypedForm
from service.pages.forms.tray_numbers import in_words, sentence, tray_numbers
from service.pages.forms.trays_form import Asked, NamedTrays, TraysForm, WrittenDown
from service.pages.frame import show
from service.pages.notices import Entry
from service.pages.room.room_rows import is_due, level_of, state_words
from service.pages.runs.harvesting import ENDED, LABELS, REASONS, mould_notice
from service.pages.runs.weight_doubts import fresh_doubt
from service.pages.words import Say
from service.room.room_changes import harvest_runs
from service.room.room_log import shelf_names, tray_sizes
from service.room.trays_now import TrayNow, TraysNow
from service.route_arguments import By, TheService
from service.runs.run_log import seed_of

router = APIRouter(include_in_schema=False)

_TOGETHER: Final = "weight_together"


@dataclass(frozen=True)
class HarvestRow:
    """A growing tray that can be taken: where it stands, how old it is and in which state."""

    number: int
    run_id: int
    shelf: str
    age: str
    state: str
    level: str
    due: bool
    ticked: bool
    asked: bool

    @property
    def first(self) -> bool:
        """Whether it stands above the others."""
        return self.due or self.ticked or self.asked

    @property
    def weight(self) -> str:
        """Name of the field of its weight."""
        return f"weight_{self.number}"


@dataclass(frozen=True)
class HarvestPage:
    """The form that takes several trays.

    Parameters
    ----------
    form : Filled
    first, others : tuple of HarvestRow
        Due today or named by the address; all the others that grow. None is ticked until somebody
        does: whoever weighs two of seven must not end the other five.
    tick_all : str
        Address of the same form with those due ticked; empty where they are, or none is due.
    held : tuple of HarvestRow
        On hold from feeding: each is written down by itself.
    weight_unit : str
    back : str
        Address to go on to.
    """

    form: Filled
    first: tuple[HarvestRow, ...]
    others: tuple[HarvestRow, ...]
    tick_all: str
    held: tuple[HarvestRow, ...]
    weight_unit: str
    back: str


@router.get(addresses.HARVEST)
def harvest_several_page(
    service: TheService, request: Request, trays: NamedTrays = None
) -> Response:
    """Asks which trays, and what they weighed."""
    return TraysForm(service, request, _show).asked(trays)


@router.post(addresses.HARVEST)
def post_harvest_several(
    service: TheService, by: By, request: Request, typed: TypedForm
) -> Response:
    """Writes them down, all or none."""

    def write(say: Say) -> WrittenDown:
        with service.database.read() as connection:
            growing = {tray.number: tray for tray in _growing(connection, say)}
            trays = [_takeable(growing, number, typed) for number in _numbers(typed, growing)]
            shares = _shares(connection, trays, typed, say)
            sizes = tray_sizes(connection)
        if typed.text("reason") is None:
            raise Refusal("reason", "must be chosen, got nothing")
        common: dict[str, Any] = {
            "harvested_at": _form(Asked(say, typed)).moment("harvested_at"),
            "note": _note(trays, typed, say),
        }
        new = [
            (_run(tray), typed.read(NewHarvest, "reason", weight_g=weight_g, **common))
            for tray, weight_g in zip(trays, shares, strict=True)
        ]
        taken = harvest_runs(service, new, by)
        undo = [Entry("harvest", one.entry_id) for one in taken]
        numbers = [tray.number for tray in trays]
        weights = dict(zip(numbers, shares, strict=True))
        words = _words(numbers, taken, say)
        with service.database.read() as connection:
            words += mould_notice(connection, list(zip(numbers, taken, strict=True)))
        words += fresh_doubt(weights, sizes, say)
        return WrittenDown(numbers, words, undo)

    return TraysForm(service, request, _show).sent(typed, by, write)


def _numbers(typed: Typed, growing: dict[int, TrayNow]) -> tuple[int, ...]:
    """Trays that are ticked, and those that have a weight of their own."""
    weighed = [number for number in growing if typed.text(f"weight_{number}") is not None]
    if weighed and not typed.texts("tick"):
        return tuple(weighed)
    return tuple(sorted({*tray_numbers(typed, "tick"), *weighed}))


def _takeable(growing: dict[int, TrayNow], number: int, typed: Typed) -> TrayNow:
    tray = growing.get(number)
    if tray is None:
        # Its row is gone from the form, and what was typed in it must not go with it.
        weight = typed.text(f"weight_{number}")
        lost = "" if weight is None else f", for which {weight} was typed"
        raise Refusal(
            "tick",
            f"must be trays in which something grows, got tray {number}{lost}: what somebody wrote "
            "down of it stands on its own page",
        )
    if tray.hold is not None:
        raise Refusal("tick", f"must not be on hold, but tray {number} is: write it down by itself")
    return tray


def _shares(
    connection: sa.Connection, trays: Sequence[TrayNow], typed: Typed, say: Say
) -> list[float | None]:
    """What each tray weighed in grams; of one weight for all, its share.

    Fresh weight goes with the seed, so a common weight is shared out by the seed where all of it
    was weighed, else evenly.
    """
    own = [typed_weight(typed, f"weight_{tray.number}", say) for tray in trays]
    together = typed_weight(typed, _TOGETHER, say)
    if together is None:
        return own
    if any(weight is not None for weight in own):
        raise Refusal(_TOGETHER, "must stay empty where trays are weighed one by one")
    seed = [_seed_g(connection, tray) for tray in trays]
    parts = [one for one in seed if one is not None]
    if len(parts) < len(trays):
        parts = [1.0] * len(trays)
    return [round(together * part / sum(parts), 1) for part in parts]


def _seed_g(connection: sa.Connection, tray: TrayNow) -> float | None:
    assert tray.readings is not None
    weights = [part.weight_g for part in seed_of(connection, tray.readings.span.row["entry_id"])]
    return sum(filter(None, weights)) or None if None not in weights else None


def _note(trays: Sequence[TrayNow], typed: Typed, say: Say) -> str | None:
    """What was typed, and of a common weight that each tray's is no more than a share of it."""
    note, together = typed.text("note"), typed_weight(typed, _TOGETHER, say)
    if together is None or len(trays) == 1:
        return note
    numbers = in_words(tuple(tray.number for tray in trays))
    shared = f"Weighed together, {say.weight(together)}: {numbers}. The weight here is a share."
    return f"{shared} {note}" if note else shared


def _words(numbers: Sequence[int], taken: Sequence[Harvest], say: Say) -> str:
    known = [one.weight_g for one in taken if one.weight_g is not None]
    weight = f"{say.weight(sum(known))} in all" if known else "not weighed"
    if 0 < len(known) < len(taken):
        weight = f"{say.weight(sum(known))}, {len(known)} of {len(taken)} weighed"
    return f"{sentence(in_words(tuple(numbers)))} {ENDED[taken[0].reason]}, {weight}."


def _run(tray: TrayNow) -> int:
    assert tray.readings is not None
    return tray.readings.span.id


def _growing(connection: sa.Connection, say: Say) -> list[TrayNow]:
    standing = TraysNow(connection, say.room, say.now).standing()
    return [tray for tray in standing if tray.readings is not None]


def _form(asked: Asked) -> Filled:
    defaults = {"reason": REASONS[0].value, "harvested_at": asked.say.field_moment()}
    weights = {
        name: f"Weight of tray {number}"
        for name in asked.typed.form
        if (number := name.removeprefix("weight_")).isdecimal()
    }
    return Filled(
        {**LABELS, **weights, "tick": "Trays", _TOGETHER: "All of them together"},
        defaults,
        asked.typed,
        choices={"reason": REASONS},
    )


def _row(tray: TrayNow, shelves: Mapping[int, str], asked: Asked) -> HarvestRow:
    assert tray.readings is not None
    say, due_at = asked.say, None if tray.forecast is None else tray.forecast.harvest_at
    typed, number = asked.typed, tray.number
    ticked = str(number) in typed.texts("tick") or typed.text(f"weight_{number}") is not None
    return HarvestRow(
        number=tray.number,
        run_id=tray.readings.span.id,
        shelf="" if tray.shelf_id is None else shelves.get(tray.shelf_id, ""),
        age=say.day_of_run(tray.readings.span),
        state=state_words(tray, say),
        level=level_of(tray),
        due=is_due(due_at, say),
        ticked=ticked,
        asked=number in asked.trays,
    )


def _show(request: Request, connection: sa.Connection, asked: Asked) -> Response:
    shelves = shelf_names(connection)
    rows = [_row(tray, shelves, asked) for tray in _growing(connection, asked.say)]
    free = [row for row in rows if row.level != "hold"]
    first = [row for row in free if row.first]
    everything = request.query_params.get("all") == "yes"
    if everything:
        # What a flag asks to look at first is nobody's to tick for others.
        first = [replace(row, ticked=not row.level) for row in first]
    open_ones = [row.number for row in first if not (row.level or row.ticked)]
    again = [*(("tray", row.number) for row in first), ("back", asked.back), ("all", "yes")]
    page = HarvestPage(
        form=_form(asked),
        first=tuple(first),
        others=tuple(row for row in free if not row.first),
        tick_all=addresses.with_query(addresses.HARVEST, again) if len(open_ones) > 1 else "",
        held=tuple(row for row in rows if row.level == "hold" and row.first),
        weight_unit=str(asked.say.room.weight_unit),
        back=asked.back,
    )
    return show(request, connection, "runs/harvest_several.html", page, here=addresses.ROOM)
