"""Since when a reason to look holds, since when it is said, and until when it held."""

from typing import Final

from service.models.flags import FlagOut, FlagState
from service.pages.words import Say
from trayvision.attention.flags import FlagKind

# What comes with the clock, and what somebody or something keeps silent about, begins by rule.
_BEGIN_BY_RULE: Final = (FlagKind.READY, FlagKind.OVERDUE, FlagKind.NO_PHOTO, FlagKind.CAMERA)


def since_words(flag: FlagOut, say: Say) -> str:
    """In a sentence, such as "Since today 07:12 (3 hours ago)." or "From Monday until Tuesday."."""
    since = say.moment(flag.since)
    if flag.state is FlagState.GONE and flag.gone_at is not None:
        return f"From {since} until {say.moment(flag.gone_at)}."
    ago = f"{since} ({say.ago(flag.since)})"
    if flag.since > say.now:
        return f"From {ago}."
    if not flag.told_late or flag.kind in _BEGIN_BY_RULE:
        return f"Since {ago}."
    return f"Noticed {say.moment(flag.opened_at)}; looking back, it began {ago}."
