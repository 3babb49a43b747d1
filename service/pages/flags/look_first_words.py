"""Why a tray is to be looked at before it is taken, in words."""

from collections.abc import Sequence

from service.models.today import LookFirst, LookWhy
from service.pages import addresses
from service.pages.words import Say


def look_first_words(asks: Sequence[LookFirst], say: Say) -> str:
    """All reasons in one sentence without its beginning; empty where there is none."""
    return "; ".join(_words(one, say) for one in asks)


def look_first_address(one: LookFirst) -> str:
    """Where the reason is shown: the photo, or the flag of the other tray."""
    if one.photo_id is not None:
        return addresses.photo(one.photo_id)
    return addresses.NOW if one.flag_id is None else addresses.flag(one.flag_id)


def _words(one: LookFirst, say: Say) -> str:
    at = say.moment(one.at)
    if one.why is LookWhy.PHOTO:
        likely = "" if one.likelihood is None else f", {say.likely(one.likelihood)}"
        return f"a photo of {at} shows a spot that may be mould{likely}"
    return (
        f"it stands beside tray {one.tray} or shares water or seed with it, and somebody found "
        f"mould there {at}"
    )
