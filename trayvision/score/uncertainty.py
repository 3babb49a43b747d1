"""What the health score comes to, and how far to trust it."""

from collections.abc import Iterator
from dataclasses import replace
from math import exp, log, pi, sqrt
from typing import Any, Final

from trayvision.measurement import Measurement
from trayvision.measures.mould import MouldPatch
from trayvision.score.expectations import LOOK_LIKELIHOOD
from trayvision.score.parts import ScorePart, likelihood_words, score_parts
from trayvision.score.scored_measures import ScoredMeasures

# Sixteen rendered photos, each saved anew in five ways (two qualities of JPEG, turned, made
# smaller, trimmed by some pixels): the log odds of a patch differ by 0.48 (standard deviation,
# root mean square over 12 patches).
LOG_ODDS_SPREAD: Final = 0.5
# In the same photos a patch that one shows is not proposed at all in another: in 17 of 100 pairs
# for the worst patches of a likelihood below 0.5, in 6 of 100 above.
_MISSED_SHARE: Final = 0.25
# The score is told in whole points, so it is never surer than that (JCGM 100:2008, 4.3.7).
_OF_ROUNDING: Final = 1 / sqrt(12)


def score_value(measures: ScoredMeasures) -> float:
    """Share of the known points that is left, 0 to 100, and not above the cap of mould."""
    return min(_share_left(score_parts(measures)), score_cap_of(measures))


def score_cap_of(measures: ScoredMeasures) -> float:
    """Highest score that the worst patch of possible mould allows; 100 without one."""
    patch = measures.worst_patch
    return 100.0 if patch is None else measures.patch_cap(patch)


def points_off(parts: tuple[ScorePart, ...]) -> float:
    """What all known parts take off together."""
    return sum(part.points_off for part in parts if part.points_off is not None)


def sum_words(measures: ScoredMeasures) -> tuple[str, ...]:
    """How the score comes about: what points off leave and, where mould's cap is lower, that.

    Such as ``("20.5 of 100 points are off, which leaves 80.",)``.
    """
    parts = score_parts(measures)
    known, off = sum(part.weight for part in parts if part.known), points_off(parts)
    left, cap = _share_left(parts), score_cap_of(measures)
    if known == 100:
        words = f"{off:.3g} of 100 points are off, which leaves {left:.0f}."
    else:
        words = (
            f"{off:.3g} of the {known:g} points that could be judged are off: "
            f"{known - off:.3g} of {known:g} is {left:.0f} of 100."
        )
    worst = measures.worst_patch
    if worst is None or round(cap) >= round(left):
        return (words,)
    likely = likelihood_words(worst.likelihood)
    if worst.likelihood >= LOOK_LIKELIHOOD.value:
        return words, f"Possible mould ({likely}) allows at most {cap:.0f}."
    return words, f"Faint spots (mould {likely}) allow at most {cap:.0f}."


def score_uncertainty(measures: ScoredMeasures, lowest: int | None, highest: int | None) -> float:
    """Combined standard uncertainty of the score, in points.

    The contribution of each measure is half the change of the score from one standard
    uncertainty below it to one above (JCGM 100:2008, 5.1.3, note 2), taken as uncorrelated; so is
    that of the worst patch's area and of its likelihood, by its log odds. That the patch may not be
    told at all in another photo of the same adds the variance of a choice between the score with it
    and without. What is unknown or unseen adds that of a rectangular distribution between the
    score's bounds (the same, 4.3.7).
    """
    total = 0.0 if lowest is None or highest is None else (highest - lowest) ** 2 / 12
    for below, above in _varied(measures):
        total += ((score_value(above) - score_value(below)) / 2) ** 2
    worst = measures.worst_patch
    if worst is not None:
        missed = _MISSED_SHARE * (1 - worst.likelihood)
        others = tuple(one for one in measures.patches if one is not worst)
        without = score_value(replace(measures, patches=others)) - score_value(measures)
        total += missed * (1 - missed) * without**2
    return max(sqrt(total), _OF_ROUNDING)


def _share_left(parts: tuple[ScorePart, ...]) -> float:
    known = sum(part.weight for part in parts if part.known)
    # A photo that hides mould may tell nothing at all once its only patch is left out.
    return 100 * (1 - points_off(parts) / known) if known else 100.0


def _varied(measures: ScoredMeasures) -> Iterator[tuple[ScoredMeasures, ScoredMeasures]]:
    """The measures with one of them a standard uncertainty lower, and higher."""
    for name in (
        "cover",
        "shoot_height_mm",
        "yellow_share",
        "dark_green_colour_index",
        "cover_variation",
        "seed_layer",
    ):
        one: Measurement = getattr(measures, name)
        if one.value is not None and one.uncertainty is not None:
            below = replace(one, value=one.value - one.uncertainty)
            above = replace(one, value=one.value + one.uncertainty)
            low: dict[str, Any] = {name: below}
            high: dict[str, Any] = {name: above}
            yield replace(measures, **low), replace(measures, **high)
    worst = measures.worst_patch
    if worst is not None:
        for less, more in (_resized(worst), _less_and_more_likely(worst)):
            yield _with_worst(measures, less), _with_worst(measures, more)


def _with_worst(measures: ScoredMeasures, patch: MouldPatch) -> ScoredMeasures:
    """The measures with another in place of the worst patch."""
    worst = measures.worst_patch
    patches = tuple(patch if one is worst else one for one in measures.patches)
    return replace(measures, patches=patches)


def _resized(patch: MouldPatch) -> tuple[MouldPatch, MouldPatch]:
    smaller, larger = (
        max(patch.area_mm2 + sign * patch.area_uncertainty_mm2, 0.0) for sign in (-1, 1)
    )
    return (
        replace(patch, area_mm2=smaller, diameter_mm=2 * sqrt(smaller / pi)),
        replace(patch, area_mm2=larger, diameter_mm=2 * sqrt(larger / pi)),
    )


def _less_and_more_likely(patch: MouldPatch) -> tuple[MouldPatch, MouldPatch]:
    kept = min(max(patch.likelihood, 1e-3), 1 - 1e-3)
    log_odds = log(kept / (1 - kept))
    less, more = (1 / (1 + exp(-log_odds - sign * LOG_ODDS_SPREAD)) for sign in (-1, 1))
    return replace(patch, likelihood=less), replace(patch, likelihood=more)
