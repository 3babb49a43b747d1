"""The health score: 100 points less what each part takes off, capped by possible mould.

The score ranks trays for a look. It says nothing about whether feed is fit: that needs eyes, a
nose, water and, where mould is suspected, a laboratory or a vet.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from trayvision.quality_flags import Doubt
from trayvision.score.expectations import (
    CALLED_LIKELIHOOD,
    COVER,
    EVENNESS,
    FUZZ_LAST_DAY,
    FUZZ_SEEN,
    HEIGHT,
    HOLD_LIKELIHOOD,
    LEAST_KNOWN,
    LEAST_SEEN,
    LOOK_LIKELIHOOD,
    LOOK_SCORE,
    LOOK_SHARE,
    QUIET_SEEN,
    RESPREAD_SHARE,
    Stage,
    stage_of,
)
from trayvision.score.parts import ScorePart, likelihood_words, score_parts
from trayvision.score.scored_measures import ScoredMeasures
from trayvision.score.uncertainty import (
    points_off,
    score_cap_of,
    score_uncertainty,
    score_value,
    sum_words,
)

__all__ = [
    "Attention",
    "HealthScore",
    "ScorePart",
    "ScoredMeasures",
    "likelihood_words",
    "score_tray",
]

LOOK_AGAIN = "Look at it, wet it, smell it, photograph it again."
LOOK_FIRST = "Look at it before you feed it: wet it, smell it, photograph it again."
HOLD_BACK = "Hold it from feeding until someone has looked."
MASK = "Wear a mask when stirring dry mould."
WATER_FIRST = "Look again after watering: root hairs lie down, mould keeps its shape."
COMPARE = (
    "Compare with trays sown the same day: if all are behind it is the seed or the room, if one "
    "is, its water, drain or spreading."
)
KIT_IN_PHOTO = (
    "A kit lies in this photo: measured as a tray, without --whole-photo, it has height, "
    "millimetres and a score."
)
SPREAD_AGAIN = "Spread the seed evenly now, while it can be mended."
# A score that what is not known moves by less is told without its bounds.
_LITTLE: Final = 9


class Attention(StrEnum):
    """How urgently a tray wants eyes.

    `LOOK` with possible mould: before it is fed. `HOLD`: it is not fed until someone has looked.
    What is suggested says the same.
    """

    QUIET = "quiet"
    LOOK = "look"
    HOLD = "hold"


@dataclass(frozen=True)
class HealthScore:
    """The score of one tray, with all its arithmetic.

    Parameters
    ----------
    value : int or None
        0 to 100: what is left of the points that could be judged, as a share of them, and not
        above `cap`. None when too little could be judged; `reason` then says why.
    uncertainty : float or None
        Standard uncertainty in points, from the uncertainties of the measures, from how sure the
        worst patch of mould is, and from what is unknown; None with value. Mould that was not seen
        at all is not in it.
    lowest, highest : int or None
        The score if all that is unknown or unseen were at its worst, or at its best. None when
        less than half of the tray was seen, or a whole photo was taken for one.
    parts : tuple of ScorePart
        Their known points off and weights give `value`.
    cap : int or None
        Highest score that the worst patch of possible mould allows; None without one.
    arithmetic : tuple of str
        How the points off give the value, and in a second sentence the cap where that holds it
        lower; empty without a value.
    attention : Attention
    suggestions : tuple of str
        What to do next, in sentences.
    reason : Doubt or None
    """

    value: int | None
    uncertainty: float | None
    lowest: int | None
    highest: int | None
    parts: tuple[ScorePart, ...]
    cap: int | None
    arithmetic: tuple[str, ...]
    attention: Attention
    suggestions: tuple[str, ...]
    reason: Doubt | None

    @property
    def points_known(self) -> float:
        """How many of the 100 points could be judged."""
        return sum(part.weight for part in self.parts if part.known)

    @property
    def range_words(self) -> str | None:
        """Such as "68 to 100 with what could not be told"; None where that moves it little."""
        if self.value is None or self.lowest is None or self.highest is None:
            return None
        if self.highest <= self.lowest + _LITTLE:
            return None
        return f"{self.lowest} to {self.highest} with what could not be told"

    def record(self) -> dict[str, Any]:
        """The score as plain JSON types."""
        return {
            "value": self.value,
            "uncertainty": None if self.uncertainty is None else round(self.uncertainty, 1),
            "lowest": self.lowest,
            "highest": self.highest,
            "cap": self.cap,
            "arithmetic": list(self.arithmetic),
            "range_words": self.range_words,
            "attention": str(self.attention),
            "suggestions": list(self.suggestions),
            "reason": None if self.reason is None else str(self.reason),
            "remark": None if self.reason is None else self.reason.sentence,
            "parts": [
                {
                    "name": part.name,
                    "points_off": part.points_off,
                    "weight": part.weight,
                    "known": part.known,
                    "reason": part.reason,
                    "doubt": part.doubt,
                }
                for part in self.parts
            ],
        }


def score_tray(measures: ScoredMeasures) -> HealthScore:
    """Score one tray from its measures.

    Parameters
    ----------
    measures : ScoredMeasures

    Returns
    -------
    HealthScore
        Without a value, for the reason `TOO_LITTLE_SEEN`, a doubt that hides mould, `NO_KIT`,
        `SIZE_DOUBTFUL`, `DAY_UNKNOWN`, `DAY_DOUBTFUL` or `TOO_LITTLE_KNOWN`, when less than half
        of the tray was seen, mould could not be judged, a whole photo was taken for a tray, it is
        not known where the tray ends, its day is doubtful, or less than 60 of the 100 points could
        be judged.
    """
    parts = score_parts(measures)
    reason = _why_no_score(measures, parts)
    cap = score_cap_of(measures)
    value = None if reason else score_value(measures)
    attention = _attention(measures, parts, value)
    rounded = None if value is None else round(value)
    lowest, highest = _bounds(measures, parts, cap, rounded)
    return HealthScore(
        value=rounded,
        uncertainty=None if reason else score_uncertainty(measures, lowest, highest),
        lowest=lowest,
        highest=highest,
        parts=parts,
        cap=None if cap == 100 else round(cap),
        arithmetic=() if reason else sum_words(measures),
        attention=attention,
        suggestions=_suggestions(measures, parts),
        reason=reason,
    )


def _why_no_score(measures: ScoredMeasures, parts: tuple[ScorePart, ...]) -> Doubt | None:
    if measures.seen < LEAST_SEEN.value:
        return Doubt.TOO_LITTLE_SEEN
    if measures.mould_doubt is not None:
        return measures.mould_doubt
    if measures.of_no_tray:
        return Doubt.NO_KIT
    if Doubt.SIZE_DOUBTFUL in measures.doubts:
        return Doubt.SIZE_DOUBTFUL
    if Doubt.DAY_DOUBTFUL in measures.doubts:
        return Doubt.DAY_DOUBTFUL
    if sum(part.weight for part in parts if part.known) >= LEAST_KNOWN.value:
        return None
    return measures.day_doubt if measures.day is None else Doubt.TOO_LITTLE_KNOWN


def _bounds(
    measures: ScoredMeasures, parts: tuple[ScorePart, ...], cap: float, value: int | None
) -> tuple[int | None, int | None]:
    if measures.seen < LEAST_SEEN.value or measures.of_no_tray:
        return None, None
    left = sum(part.weight for part in parts if part.known) - points_off(parts)
    # What was not seen may be as bad as anything: it keeps none of the points that are left.
    lowest = round(min(left * measures.seen, cap))
    highest = round(min(100 - points_off(parts), cap))
    # A sum that ends in a half may be rounded up here and down there.
    return (lowest, highest) if value is None else (min(lowest, value), max(highest, value))


def _attention(
    measures: ScoredMeasures, parts: tuple[ScorePart, ...], value: float | None
) -> Attention:
    if _likeliest(measures) >= HOLD_LIKELIHOOD.value:
        return Attention.HOLD
    poor = value is None or value < LOOK_SCORE.value or any(_is_poor(part) for part in parts)
    poor = poor or measures.seen < QUIET_SEEN.value
    return Attention.LOOK if poor or _smells_wrong(measures) else Attention.QUIET


def _likeliest(measures: ScoredMeasures) -> float:
    return max((patch.likelihood for patch in measures.patches), default=0.0)


def _smells_wrong(measures: ScoredMeasures) -> bool:
    """Whether something was seen that a nose should check."""
    late = measures.day is None or measures.day >= FUZZ_LAST_DAY.value
    late_fuzz = late and measures.fuzz >= FUZZ_SEEN.value
    return _likeliest(measures) >= LOOK_LIKELIHOOD.value or measures.slime_share > 0 or late_fuzz


def _is_poor(part: ScorePart, share: float = LOOK_SHARE.value) -> bool:
    return bool(part.points_off and part.points_off >= share * part.weight)


def _suggestions(measures: ScoredMeasures, parts: tuple[ScorePart, ...]) -> tuple[str, ...]:
    if _likeliest(measures) >= HOLD_LIKELIHOOD.value:
        return (LOOK_AGAIN, HOLD_BACK, MASK)
    if _likeliest(measures) >= CALLED_LIKELIHOOD.value:
        return (LOOK_FIRST, MASK)
    if _likeliest(measures) >= LOOK_LIKELIHOOD.value:
        return (LOOK_FIRST,)
    poor = {part.name for part in parts if _is_poor(part)}
    uneven = any(part.name == EVENNESS and _is_poor(part, RESPREAD_SHARE.value) for part in parts)
    suggested = {
        LOOK_AGAIN: _smells_wrong(measures),
        WATER_FIRST: measures.fuzz >= FUZZ_SEEN.value,
        COMPARE: bool(poor & {COVER, HEIGHT}),
        SPREAD_AGAIN: stage_of(measures.day) is Stage.SPREAD and uneven,
    }
    return tuple(sentence for sentence, applies in suggested.items() if applies)
