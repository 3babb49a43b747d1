"""What people said that a reason to look was, in the words of their buttons."""

from typing import Final

from service.models.flags import Verdict
from trayvision.attention.flags import FlagKind

_OF_MOULD: Final = {
    Verdict.RIGHT: "it is mould",
    Verdict.FINE: "looked fine",
    Verdict.ROOT_HAIRS: "it was root hairs",
    Verdict.GLARE: "it was glare",
    Verdict.HUSKS: "it was husks or bare seed",
    Verdict.SHADOW: "it was a shadow",
    Verdict.FLOOR: "it was bare floor",
    Verdict.OTHER: "it was something else",
}


def verdict_words(verdict: str, kind: str = FlagKind.POSSIBLE_MOULD) -> str:
    """Such as "it was root hairs"; of another kind than possible mould, right or not.

    Raises
    ------
    ValueError
        If `verdict` is none that can be given.
    """
    said = Verdict(verdict)
    if kind == FlagKind.POSSIBLE_MOULD:
        return _OF_MOULD[said]
    return "it was right" if said is Verdict.RIGHT else "it was not so"
