"""Fresh feed as written: what was harvested, less what was fed out of it."""

from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import CHORE, HARVEST
from service.models.runs import EndReason

# Judgement: fresh feed keeps for days. What nobody weighed may be on hand for as long as that.
_KEEPS: Final = timedelta(days=14)


def feed_on_hand_g(connection: sa.Connection, at: datetime, *, without: int) -> float | None:
    """Weight harvested and not yet fed at a moment; None where some of it was not weighed.

    More fed than harvested leaves nothing, and no debt: its harvest was not written down.

    Parameters
    ----------
    connection : Connection
    at : aware datetime
    without : int
        Id of a feeding that is left out.
    """
    harvests, chores = current(HARVEST), current(CHORE)
    taken = connection.execute(
        sa.select(harvests.c.harvested_at, harvests.c.weight_g).where(
            harvests.c.reason == str(EndReason.HARVESTED), harvests.c.harvested_at <= at
        )
    ).all()
    if any(row.weight_g is None and row.harvested_at > at - _KEEPS for row in taken):
        return None
    fed = connection.execute(
        sa.select(chores.c.done_at, chores.c.details).where(
            chores.c.kind == "feed", chores.c.done_at <= at, chores.c.id != without
        )
    ).all()
    moments = [(row.harvested_at, row.weight_g or 0.0) for row in taken]
    moments += [(row.done_at, -fed_g) for row in fed if (fed_g := weight_in(row.details))]
    on_hand_g = 0.0
    # Of one moment, the harvest first.
    for _, change_g in sorted(moments, key=lambda one: (one[0], -one[1])):
        on_hand_g = max(0.0, on_hand_g + change_g)
    return round(on_hand_g, 1)


def weight_in(details: object, name: str = "weight_g") -> float | None:
    """A weight among a chore's details, None where none is known."""
    value = details.get(name) if isinstance(details, dict) else None
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return None
