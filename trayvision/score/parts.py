"""The parts of the health score: points each measure takes off, and why in a sentence.

A part that the photo does not answer is unknown: it takes nothing off and earns nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from trayvision.measures.mould import MouldPatch
from trayvision.quality_flags import Doubt
from trayvision.score import expectations as table
from trayvision.score.scored_measures import ScoredMeasures

# What a photo shows of any plant; the others are shares of a tray.
_OF_ANY_PLANT: Final = (table.MOULD, table.COLOUR)
# Less than half a point of mould's weight is not worth a sentence.
_FAINT_SHARE: Final = 0.012
# From that cover on, shoots hide most of the seed, on which mould begins (judgement).
_HIDING_COVER: Final = 0.6
# Less of the tray in sight than this is said where no mould was seen.
_NEARLY_ALL: Final = 0.9
_SENTENCES: Final = {str(doubt): doubt.sentence for doubt in Doubt}


@dataclass(frozen=True)
class ScorePart:
    """One part of the score.

    Parameters
    ----------
    name : str
    points_off : float or None
        Points of 100 taken off, in tenths; None exactly when the part is not known.
    weight : float
        Most points it can take off at this age; 0 when it is not asked yet.
    reason : str
        A sentence.
    known : bool
    doubt : str or None
        Name of the doubt that hides a part.
    """

    name: str
    points_off: float | None
    weight: float
    reason: str
    known: bool
    doubt: str | None = None


@dataclass(frozen=True)
class _Unknown:
    """What cannot be told, and the named reason."""

    what: str
    doubt: str | None


# Share of its points that a part loses and why; or why it cannot be told.
_Judged = tuple[float, str] | _Unknown


def score_parts(measures: ScoredMeasures) -> tuple[ScorePart, ...]:
    """Judge every part of the score, in the order of the table of weights."""
    stage = table.stage_of(measures.day)
    parts = []
    for weight in table.WEIGHTS:
        points = weight.at(stage)
        if points == 0:
            reason = f"{weight.part.capitalize()} is not asked of so young a tray."
            parts.append(ScorePart(weight.part, None, 0.0, reason, known=False))
            continue
        judged = _judge(weight.part, measures)
        if isinstance(judged, _Unknown):
            sentence = _SENTENCES.get(judged.doubt or "", "")
            reason = f"{judged.what} cannot be told. {sentence}".rstrip()
            part = ScorePart(weight.part, None, points, reason, known=False, doubt=judged.doubt)
        else:
            # Told in tenths, and so reckoned: what is read adds up to the score.
            off = round(points * judged[0], 1)
            part = ScorePart(weight.part, off, points, judged[1], known=True)
        parts.append(part)
    return tuple(parts)


def _judge(part: str, measures: ScoredMeasures) -> _Judged:
    seen_all_the_same = part == table.WETNESS and measures.slime_share > 0
    if not measures.of_no_tray or part in _OF_ANY_PLANT or seen_all_the_same:
        return _JUDGES[part](measures)
    # It is measured, and there is no tray of some age to hold it to.
    if part == table.COVER and measures.cover.value is not None:
        return _Unknown(f"Whether cover {_percent(measures.cover.value)} is usual", Doubt.NO_KIT)
    return _Unknown(part.capitalize(), Doubt.NO_KIT)


def likelihood_words(likelihood: float) -> str:
    """A likelihood in words and a number, such as ``"likely, 8 in 10"``.

    The words follow the scale of the IPCC's guidance note on uncertainties (2010; from memory),
    by the tenth that is said: one number never stands beside two words.
    """
    if likelihood < 0.05:
        return "very unlikely, less than 1 in 20"
    if likelihood > 0.95:
        return "very likely, over 9 in 10"
    tenths = min(max(round(10 * likelihood), 1), 9)
    words = (
        "very likely" if tenths == 9
        else "likely" if tenths >= 7
        else "as likely as not" if tenths >= 4
        else "unlikely"
    )  # fmt: skip
    return f"{words}, {tenths} in 10"


def shoots_hide_seed(cover: float | None) -> bool:
    """Whether shoots hide most of the seed on which mould begins, by their share of the tray."""
    return cover is not None and cover >= _HIDING_COVER


def _judge_mould(measures: ScoredMeasures) -> _Judged:
    doubt = measures.mould_doubt
    if doubt is not None:
        return _Unknown("Mould", doubt)
    patch = measures.worst_patch
    share = 0.0 if patch is None else (100 - measures.patch_cap(patch)) / (100 - table.CAPS[-1][-1])
    hairs = measures.day is not None and measures.day < table.FUZZ_LAST_DAY.value
    if not hairs:
        share = max(
            share, table.FUZZ_SHARE.value * _clipped(measures.fuzz / table.FUZZ_TOLERANCE.value)
        )
    if patch is not None and patch.likelihood >= table.LOOK_LIKELIHOOD.value:
        return share, _patch_sentence(measures, patch)
    if measures.fuzz >= table.FUZZ_SEEN.value:
        when = ": root hairs more likely than mould" if hairs else ", late for root hairs"
        return share, f"Even white fuzz all over{when}."
    if patch is not None and share >= _FAINT_SHARE:
        return share, f"Faint spots only: mould {likelihood_words(patch.likelihood)}."
    hidden = shoots_hide_seed(measures.cover.value)
    where = "seen from above; the shoots hide the seed" if hidden else "seen from above"
    if measures.seen < _NEARLY_ALL:
        where = f"{where}; only {_percent(measures.seen)} of the tray could be judged"
    fuzz = "A little white fuzz, late for root hairs. " if share >= _FAINT_SHARE else ""
    return share, f"{fuzz}No patch of mould {where}. That does not prove there is none."


def _patch_sentence(measures: ScoredMeasures, patch: MouldPatch) -> str:
    count = sum(one.likelihood >= table.LOOK_LIKELIHOOD.value for one in measures.patches)
    which = "one patch" if count == 1 else f"{count} patches, the worst"
    size = f" of {patch.diameter_mm:.0f} mm" if measures.in_mm else ""
    sentence = (
        f"Possible mould ({likelihood_words(patch.likelihood)}): {which}{size}, {patch.look}."
    )
    if patch.confusions:
        sentence += f" It could also be {' or '.join(patch.confusions)}."
    return sentence


def _judge_cover(measures: ScoredMeasures) -> _Judged:
    if measures.cover.value is None:
        return _Unknown("Cover", measures.cover.reason)
    if measures.day is None:
        return _Unknown(
            f"Whether cover {_percent(measures.cover.value)} is usual", measures.day_doubt
        )
    late = table.days_behind(table.COVER, measures.cover.value, measures.day)
    low, high = table.usual_range(table.COVER, measures.day)
    usual = f"the usual {100 * low:.0f} to {_percent(high)}"
    place = _place(measures.cover.value, low, high, step=0.01)
    reason = f"Cover {_percent(measures.cover.value)}: {place} {usual} for its age."
    return _clipped(late / table.DAYS_BEHIND.value), _with_lag(reason, late)


def _judge_height(measures: ScoredMeasures) -> _Judged:
    height = measures.shoot_height_mm.value
    if height is None:
        return _Unknown("Height", measures.shoot_height_mm.reason)
    if measures.day is None:
        return _Unknown(f"Whether shoots of {height:.0f} mm are usual", measures.day_doubt)
    late = table.days_behind(table.SHOOT_HEIGHT, height, measures.day)
    early = table.days_ahead(table.SHOOT_HEIGHT, height, measures.day)
    low, high = table.usual_range(table.SHOOT_HEIGHT, measures.day)
    place = _place(height, low, high, step=1.0)
    usual = f"the usual {low:.0f} to {high:.0f} mm"
    reason = _with_lag(f"Shoots {height:.0f} mm: {place} {usual} for its age.", late)
    share = _clipped(late / table.DAYS_BEHIND.value)
    return max(share, table.AHEAD_SHARE.value * _clipped(early / table.DAYS_BEHIND.value)), reason


def _judge_colour(measures: ScoredMeasures) -> _Judged:
    yellow, index = measures.yellow_share.value, measures.dark_green_colour_index.value
    if yellow is None:
        return _Unknown("Colour", measures.yellow_share.reason)
    day = _age(measures)
    if day is None:
        return _Unknown("Whether the colour is usual", measures.day_doubt)
    _, most = table.usual_range(table.YELLOW_SHARE, day)
    share = _clipped((yellow - most) / table.YELLOW_TOLERANCE.value)
    place = "as usual" if yellow <= most else f"more than the usual {_percent(most)}"
    reason = f"Yellow shoots {_percent(yellow)}: {place}."
    if index is not None:
        pale = _clipped(
            (table.PALE_INDEX.value - index) / (table.PALE_INDEX.value - table.YELLOW_INDEX.value)
        )
        if pale > share:
            return pale, "The green is pale: little light yet, waterlogged, or too hot."
    return share, reason


def _judge_evenness(measures: ScoredMeasures) -> _Judged:
    found = [one for one in (_seed_layer(measures), _cover_variation(measures)) if one is not None]
    if not found:
        return _Unknown("Evenness", measures.cover_variation.reason)
    if measures.bare_share > 0:
        share = _clipped(
            (measures.bare_share - table.BARE_SHARE.value) / table.BARE_TOLERANCE.value
        )
        most = _percent(table.BARE_SHARE.value)
        reason = f"Bare areas {_percent(measures.bare_share)} of the tray; up to {most} is usual."
        found.append((share, reason))
    return max(found, key=lambda one: one[0])


def _seed_layer(measures: ScoredMeasures) -> tuple[float, str] | None:
    layer = measures.seed_layer.value
    if layer is None:
        return None
    share = _lack_of_seed(layer)
    early = table.stage_of(measures.day) is table.Stage.SPREAD
    uneven = "spread it out over the bare floor" if early else "bare floor shows"
    # By what is told: one figure must not stand beside two verdicts.
    place = "evenly spread" if _lack_of_seed(round(layer, 2)) < 0.1 else uneven
    return share, f"Seed on {_percent(layer)} of the floor: {place}."


def _lack_of_seed(layer: float) -> float:
    return _clipped((table.SEED_LAYER.value - layer) / table.SEED_LAYER_TOLERANCE.value)


def _cover_variation(measures: ScoredMeasures) -> tuple[float, str] | None:
    variation, day = measures.cover_variation.value, _age(measures)
    if variation is None or day is None:
        return None
    _, most = table.usual_range(table.COVER_VARIATION, day)
    share = _clipped((variation / most - 1) / table.UNEVEN_TOLERANCE.value)
    place = "as even as usual" if share == 0 else "more uneven than usual"
    return share, f"Cover varies {_percent(variation)} over the tray: {place}."


def _judge_wetness(measures: ScoredMeasures) -> _Judged:
    if measures.mould_doubt is not None:
        return _Unknown("Slime", measures.mould_doubt)
    if measures.slime_share == 0:
        return 0.0, "No slimy wet place seen; the nose tells it earlier."
    reason = f"Slimy wet places on {_percent(measures.slime_share, 1)} of the tray: smell them."
    return _clipped(measures.slime_share / table.SLIME_TOLERANCE.value), reason


_JUDGES: Final[dict[str, Callable[[ScoredMeasures], _Judged]]] = {
    table.MOULD: _judge_mould,
    table.COVER: _judge_cover,
    table.HEIGHT: _judge_height,
    table.COLOUR: _judge_colour,
    table.EVENNESS: _judge_evenness,
    table.WETNESS: _judge_wetness,
}


def _age(measures: ScoredMeasures) -> float | None:
    """The day, or the latest on which this cover would be usual."""
    if measures.day is not None or measures.cover.value is None:
        return measures.day
    return table.latest_usual_day(table.COVER, measures.cover.value)


def _clipped(share: float) -> float:
    return min(max(share, 0.0), 1.0)


def _percent(share: float, digits: int = 0) -> str:
    return f"{100 * share:.{digits}f} %"


def _place(value: float, low: float, high: float, *, step: float) -> str:
    """Where a value lies beside what is usual, both as they are told, in whole steps."""
    told, least, most = (round(one / step) for one in (value, low, high))
    if told < least:
        return "below"
    return "within" if told <= most else "above"


def _with_lag(reason: str, late: float) -> str:
    return reason if late < 0.5 else f"{reason[:-1]}, about {_days(late)} behind."


def _days(days: float) -> str:
    if days < 0.75:
        return "half a day"
    return "1 day" if round(days) == 1 else f"{days:.0f} days"
