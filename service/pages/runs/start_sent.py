"""What the form that starts trays says once it was sent."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Final

from service.log.refusals import Refusal
from service.log.told_moments import LONGEST_SOAK
from service.models.runs import NewLot, NewRun
from service.pages.forms.filled import Filled, typed_weight
from service.pages.forms.forms import Typed
from service.pages.runs.starting import SEED_ROWS, on_another_floor
from service.pages.runs.weight_doubts import area_m2
from service.pages.words import Say
from service.room.room_changes import Bag
from trayvision.reference_kit import TraySize

_LONGEST_SOAK_HOURS: Final = LONGEST_SOAK / timedelta(hours=1)


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
        seed = on_another_floor(first.seed, areas)
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
