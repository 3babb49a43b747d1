"""Times that were typed within the hour that clocks show twice when they go back."""

import re
from datetime import datetime, timedelta
from typing import Final

from service.pages.forms.forms import Typed
from service.pages.words import Say

_TYPED_MOMENT: Final = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}")
_SHOWN: Final = "_shown"


def twice_words(typed: Typed, say: Say) -> str:
    """Which of the two hours is meant, to follow what was written down; empty for other times."""
    words = []
    for name in typed.form:
        text = typed.text(name) or ""
        # As it is shown it means now, of which there is one.
        if name.endswith(_SHOWN) or text == typed.text(f"{name}{_SHOWN}"):
            continue
        if _TYPED_MOMENT.fullmatch(text) is None:
            continue
        try:
            first = datetime.fromisoformat(text).replace(tzinfo=say.zone)
        except ValueError:
            continue
        again = first.replace(fold=1).utcoffset()
        if again is not None and (first.utcoffset() or timedelta()) > again:
            date = say.date(first)
            words.append(
                f" {first:%H:%M} came twice on {date}, when clocks went back: the first is meant."
            )
    return "".join(dict.fromkeys(words))
