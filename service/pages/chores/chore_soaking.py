"""How much seed to soak for some trays: as much on their floors as was spread last."""

from typing import Final

import sqlalchemy as sa
from starlette.datastructures import FormData

from service.log.refusals import Refusal
from service.pages.forms.filled import shown_weight
from service.pages.forms.forms import Typed
from service.pages.forms.tray_numbers import tray_numbers
from service.pages.runs.starting import remembered_of
from service.pages.words import Say

# The button that asks for it.
PROPOSE: Final = "propose"


def with_seed_to_soak(connection: sa.Connection, typed: Typed, say: Say) -> Typed:
    """A chore's form with the weight for its trays, and their lot where they share one.

    Raises
    ------
    Refusal
        If no tray is named, or none was spread yet with its seed weighed.
    """
    numbers = tray_numbers(typed, "soak_trays")
    seed = [part for last in remembered_of(connection, numbers) for part in last.seed]
    weights = [part.weight_g for part in seed if part.weight_g is not None]
    if not weights or len(weights) < len(seed):
        raise Refusal(
            "soak_trays",
            "must be trays of which it can be reckoned, but the seed of the last spreading was "
            "not weighed: type the weight once when trays are spread",
        )
    lots = {part.lot_id for part in seed}
    told = {"kind": "soak", "soaked": shown_weight(sum(weights), say)}
    if len(lots) == 1 and typed.text("lot") is None:
        told["lot"] = str(next(iter(lots)))
    kept = [item for item in typed.form.multi_items() if item[0] not in (*told, PROPOSE)]
    return Typed(FormData([*kept, *told.items()]))
