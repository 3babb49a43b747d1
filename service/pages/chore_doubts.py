"""Questions that follow a chore that was written down: it is kept as it was typed."""

import re
from typing import Final

import sqlalchemy as sa

from service.feed_account import feed_on_hand_g, weight_in
from service.models.runs import Chore
from service.pages.stock_words import overdrawn_words
from service.pages.words import Say
from service.seed_stock import LotStock, seed_stock

# What releases chlorine or other poisonous gas from bleach.
_BLEACH: Final = re.compile(r"bleach|chlorine|hypochlorite", re.IGNORECASE)
_NEVER_WITH_BLEACH: Final = re.compile(
    r"vinegar|acetic|citric|\bacid|ammonia|descaler", re.IGNORECASE
)


class ChoreDoubts:
    """What is asked about a chore; made before it is entered, asked after.

    Parameters
    ----------
    connection : Connection
        The one that enters it.
    """

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection
        self._stock: dict[int, LotStock] = seed_stock(connection)

    def of(self, chore: Chore, say: Say) -> str:
        """Questions to follow what is said of it; empty where nothing is odd."""
        if chore.done_at is None:
            return ""
        if chore.kind == "feed":
            return self._of_feed(chore, say)
        if chore.kind == "soak":
            return overdrawn_words(self._stock, seed_stock(self._connection), say)
        return mixed_words(chore) if chore.kind == "clean" else ""

    def _of_feed(self, chore: Chore, say: Say) -> str:
        fed_g = weight_in(chore.details)
        assert chore.done_at is not None
        if fed_g is None:
            return ""
        there_g = feed_on_hand_g(self._connection, chore.done_at, without=chore.id)
        if there_g is None or fed_g <= there_g:
            return ""
        there = f"only {say.weight(there_g)}" if there_g else "nothing"
        return (
            f" {say.weight(fed_g)} fed, but {there} was harvested and not yet fed as written: is "
            "the weight right, and is every harvest written down?"
        )


def mixed_words(chore: Chore) -> str:
    """A caution where bleach and what must never meet it are named for one cleaning."""
    named = " ".join(str(value) for value in (chore.title, *(chore.details or {}).values()))
    bleach, other = _BLEACH.search(named), _NEVER_WITH_BLEACH.search(named)
    if bleach is None or other is None:
        return ""
    return (
        f" {bleach[0].capitalize()} and {other[0].lower()} in one cleaning: never mix them: the "
        "gas can kill. If they met, go out, and let air in from outside. Is it written down right?"
    )
