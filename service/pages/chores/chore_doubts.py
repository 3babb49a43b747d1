"""Questions that follow a chore that was written down: it is kept as it was typed."""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.flags.mould_when_taken import MouldThen, MouldWhenTaken
from service.models.runs import Chore
from service.pages.forms.tray_numbers import in_words, sentence
from service.pages.runs.stock_words import overdrawn_words
from service.pages.words import Say
from service.room.feed_account import feed_on_hand_g, weight_in
from service.room.room_log import trays_by_number
from service.room.seed_stock import LotStock, seed_stock
from service.runs.run_calendar import last_begun, run_calendar

# What releases chlorine or other poisonous gas from bleach.
_BLEACH: Final = re.compile(r"bleach|chlorine|hypochlorite", re.IGNORECASE)
_NEVER_WITH_BLEACH: Final = re.compile(
    r"vinegar|acetic|citric|\bacid|ammonia|descaler", re.IGNORECASE
)
_NUMBER: Final = re.compile(r"\d+")
_HELD: Final = (
    " {trays} on hold for possible mould: hold that feed until someone has looked. If animals ate "
    "of it, watch them and ask a vet, at once when one trembles, staggers or goes down. Are the "
    "trays right?"
)
_NOT_LOOKED_AT: Final = " {trays} still to be looked at for mould: has somebody looked?"


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
        assert chore.done_at is not None
        return self._of_mould(chore, chore.done_at) + self._of_weight(chore, say)

    def _of_mould(self, chore: Chore, at: datetime) -> str:
        """What is said where feed came from trays with possible mould: that comes first."""
        told = MouldWhenTaken(self._connection)
        trays, spans = trays_by_number(self._connection), run_calendar(self._connection).by_tray
        stood: dict[MouldThen, list[int]] = {}
        for number in map(int, _NUMBER.findall(str((chore.details or {}).get("trays", "")))):
            if number not in trays:
                continue
            span = last_begun(spans.get(trays[number]["id"], ()), at)
            if span is None:
                continue
            # As it stood when it was taken, and what somebody has found since.
            found = {told.of(span, moment) for moment in (at, min(at, span.ended_at or at))}
            then = next((one for one in MouldThen if one in found), None)
            if then is not None:
                stood.setdefault(then, []).append(number)
        held = [*stood.get(MouldThen.CONFIRMED, ()), *stood.get(MouldThen.HOLD, ())]
        words = _HELD.format(trays=_trays(held)) if held else ""
        looks = stood.get(MouldThen.LOOK, [])
        return words + (_NOT_LOOKED_AT.format(trays=_trays(looks)) if looks else "")

    def _of_weight(self, chore: Chore, say: Say) -> str:
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


def _trays(numbers: Sequence[int]) -> str:
    return f"{sentence(in_words(tuple(numbers)))} {'was' if len(numbers) == 1 else 'were'}"


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
