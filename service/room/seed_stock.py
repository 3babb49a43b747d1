"""How much is left of a seed lot: what came, less what was soaked or spread of it as written."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import CHORE, RUN, RUN_SEED
from service.log.told_moments import LONGEST_SOAK
from service.room.feed_account import weight_in
from service.runs.run_log import lots_by_id

Taken = tuple[datetime, float]


@dataclass(frozen=True)
class LotStock:
    """One lot's seed.

    Parameters
    ----------
    name : str
    came_g, used_g : float
        Weight that came; that was soaked or spread.
    not_weighed : int
        Times that some of it was soaked or spread without a weight, which `used_g` leaves out.
    """

    name: str
    came_g: float
    used_g: float
    not_weighed: int

    @property
    def left_g(self) -> float:
        """What is left; below 0 where more was written than came."""
        return round(self.came_g - self.used_g, 1)


def seed_stock(connection: sa.Connection) -> dict[int, LotStock]:
    """Stock by lot, of the lots whose weight is known."""
    soaked, spread = _soaked(connection), _spread(connection)
    found = {}
    for lot in lots_by_id(connection).values():
        if lot.weight_kg is None:
            continue
        in_water, in_trays = soaked.get(lot.id, []), spread.get(lot.id, [])
        weighed = [
            [(at, weight_g) for at, weight_g in taken if weight_g is not None]
            for taken in (in_water, in_trays)
        ]
        found[lot.id] = LotStock(
            lot.name,
            1000.0 * lot.weight_kg,
            used_g(*weighed),
            len(in_water) + len(in_trays) - sum(map(len, weighed)),
        )
    return found


def used_g(soaked: Iterable[Taken], spread: Iterable[Taken]) -> float:
    """Seed that left its bag.

    Seed that was soaked and then spread is the same seed: what is spread is taken first from what
    lies in water, and only what goes beyond that from the bag.

    Parameters
    ----------
    soaked, spread : iterable of (aware datetime, float)
        When, and how much in grams.
    """
    moments = [(at, 0, weight) for at, weight in soaked] + [(at, 1, one) for at, one in spread]
    used, in_water = 0.0, list[Taken]()
    for at, is_spread, weight_g in sorted(moments):
        if not is_spread:
            used += weight_g
            in_water.append((at, weight_g))
            continue
        wanted, kept = weight_g, list[Taken]()
        for since, wet_g in in_water:
            # What lay in water for longer was spilt or fed, and not spread.
            if at - since > LONGEST_SOAK:
                continue
            out = min(wanted, wet_g)
            wanted -= out
            if wet_g > out:
                kept.append((since, wet_g - out))
        in_water = kept
        used += wanted
    return used


_ByLot = Mapping[int, list[tuple[datetime, float | None]]]


def _spread(connection: sa.Connection) -> _ByLot:
    runs = current(RUN)
    statement = sa.select(RUN_SEED.c.lot_id, runs.c.spread_at, RUN_SEED.c.weight_g).join_from(
        runs, RUN_SEED, RUN_SEED.c.run_entry_id == runs.c.entry_id
    )
    found: dict[int, list[tuple[datetime, float | None]]] = {}
    for row in connection.execute(statement):
        found.setdefault(row.lot_id, []).append((row.spread_at, row.weight_g))
    return found


def _soaked(connection: sa.Connection) -> _ByLot:
    chores = current(CHORE)
    statement = sa.select(chores.c.done_at, chores.c.details).where(
        chores.c.kind == "soak", chores.c.done_at.is_not(None), chores.c.details.is_not(None)
    )
    found: dict[int, list[tuple[datetime, float | None]]] = {}
    for row in connection.execute(statement):
        lot_id = row.details.get("lot_id")
        if isinstance(lot_id, int):
            found.setdefault(lot_id, []).append((row.done_at, weight_in(row.details)))
    return found
