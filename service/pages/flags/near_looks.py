"""That a tray stands next to one that is to be looked at for possible mould, in words."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from service.models.flags import FlagOut, Hold
from service.models.today import LookFirst, LookWhy
from service.pages import addresses
from trayvision.attention.flags import FlagKind, trays_words


@dataclass(frozen=True)
class NearLook:
    """An open look for possible mould next to a tray: its own tray, and its address."""

    tray: int
    address: str


def near_looks(flags: Iterable[FlagOut], holds: Iterable[Hold]) -> dict[int, tuple[NearLook, ...]]:
    """By number of a tray, the open looks beside it, or above it on the same water.

    Where somebody found mould, `holds` say so, and nothing is left to be looked at.
    """
    answered = {hold.run_id for hold in holds if hold.confirmed}
    found: dict[int, list[NearLook]] = {}
    for flag in flags:
        asks = flag.kind == FlagKind.POSSIBLE_MOULD and flag.run_id not in answered
        if asks and flag.tray is not None:
            for number in flag.evidence.get("near", ()):
                look = NearLook(flag.tray, addresses.flag(flag.id))
                found.setdefault(number, []).append(look)
    return {number: tuple(looks) for number, looks in found.items()}


def near_words(looks: Collection[NearLook], asks: Iterable[LookFirst]) -> str:
    """Such as "Its neighbour, tray 17, is to be looked at for possible mould."; may be empty.

    Nothing of trays in which mould was found: these ask to look at it as well, in `asks`.
    """
    trays = _trays(looks, asks)
    if not trays:
        return ""
    which, are = ("neighbour", "is") if len(trays) == 1 else ("neighbours", "are")
    return f"Its {which}, {trays_words(trays)}, {are} to be looked at for possible mould."


def near_words_of_row(looks: Collection[NearLook], asks: Iterable[LookFirst]) -> str:
    """The same for a row of a list: "Near tray 17 (possible mould)"."""
    trays = _trays(looks, asks)
    return f"Near {trays_words(trays)} (possible mould)" if trays else ""


def _trays(looks: Collection[NearLook], asks: Iterable[LookFirst]) -> list[int]:
    found = {one.tray for one in asks if one.why is LookWhy.NEIGHBOUR}
    return sorted({one.tray for one in looks} - found)
