"""Evidence for mould against its harmless explanations, added up over a followed patch.

All terms are log likelihood ratios in nats. The photos of one patch are not independent: a husk
that looks like mould once does so again. Their likelihoods therefore count as equally
correlated readings and can only convince so far; the rest must come from growth, from being
there again, and from the pair before and after watering.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from math import exp, hypot, inf, log
from typing import Final

from trayvision.warning.harmless_causes import (
    HARMLESS,
    MOULD,
    WET_RATIO_SPREAD,
    Behaviour,
    Cause,
    cause_weights,
)
from trayvision.warning.patch_growth import growth_evidence, growth_rate
from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto, Watering, hidden_shares
from trayvision.warning.patch_tracking import PatchEvent, TrackedPatch
from trayvision.warning.sequential_test import effective_readings

# Correlation of a candidate's likelihood from photo to photo, in logits: judgement.
PHOTO_CORRELATION: Final = 0.4
# Share of mould among the candidates that likelihoods are fitted on (`mould_likelihood`): a photo's
# log likelihood ratio is the logit of its likelihood less the log odds of that share.
CALIBRATION_SHARE: Final = 108 / 165
_SUREST: Final = 0.985
WATER_PAIR: Final = timedelta(hours=3)
_MOST_WATER_NATS: Final = 4.0
_SIBLING_NATS: Final = 2.0
# Mould is white before it is dark (growers' descriptions): what begins dark is more often a
# shadow or a husk. Judgement.
_DARK_NATS: Final = 1.0
_LEAST_FUZZ: Final = 0.15
# Until then what looks like floor is floor: mould is seldom there yet.
_FLOOR_DAYS: Final = 2.5
# Of a place known to so many standard uncertainties.
_GATE: Final = 3.0

# Mould is reported mostly from day 4 on, root hairs peak on days 2 and 3. As a spending of the
# false alarm rate over the days these odds keep the stated rate where their mean over the days
# of harmless candidates is at most 1 (see the tests).
_DAYS: Final = (0.0, 1.5, 2.0, 3.0, 3.5, 4.0, 5.0)
_DAY_NATS: Final = (-0.3, -0.7, -1.0, -1.0, -0.4, 0.2, 0.6)


@dataclass(frozen=True, slots=True)
class PatchContext:
    """What is known of a run beside its own photos.

    Parameters
    ----------
    days : mapping of photo_id to float
        Days since spreading of each photo; a photo that is missing has no known day.
    siblings_fuzz : mapping of photo_id to float
        Median fuzz of the trays of the same batch at the time of a photo.
    temperature_c : float or None
        Mean of the shelf.
    said : mapping of Cause to int
        What this room's people said wrong alarms were.
    """

    days: Mapping[str, float] = field(default_factory=dict)
    siblings_fuzz: Mapping[str, float] = field(default_factory=dict)
    temperature_c: float | None = None
    said: Mapping[Cause, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PatchEvidence:
    """Evidence that one followed patch is mould, and what it is made of, in nats.

    Parameters
    ----------
    total : float
        Largest over all beginnings (Page's test): what it was before does not excuse it.
    prior : float
        From the day and the siblings.
    siblings : float
        The siblings' part of it, 0 or less: even fuzz on all of them is root hairs.
    appearance : float
        From the photos' likelihoods.
    behaviour : float
        From being seen again, growth and the water, against the harmless mixture.
    watered : bool
        Whether a pair before and after watering is part of it.
    likeliest_harmless : Cause
    since : TrayPhoto
        The beginning it is counted from.
    """

    total: float
    prior: float
    siblings: float
    appearance: float
    behaviour: float
    watered: bool
    likeliest_harmless: Cause
    since: TrayPhoto


def patch_evidence(track: TrackedPatch, context: PatchContext) -> PatchEvidence:
    """Evidence of one followed patch over all its photos.

    Parameters
    ----------
    track : TrackedPatch
    context : PatchContext
    """
    beginnings = [place for place, event in enumerate(track.events) if event.sighting is not None]
    floored = _floor_before(track, context)
    return max(
        (_evidence_from(track.events[place:], context, floored) for place in beginnings),
        key=lambda evidence: evidence.total,
    )


def _evidence_from(
    events: Sequence[PatchEvent], context: PatchContext, floored: bool | None
) -> PatchEvidence:
    sightings = [(e.photo, e.sighting) for e in events if e.sighting is not None]
    first_photo, first = sightings[0]
    day = context.days.get(first_photo.photo_id)
    alike = _alike(first_photo, day, context)
    siblings = -_SIBLING_NATS * alike
    prior = day_nats(day) + siblings - (_DARK_NATS if first.look == "dark" else 0.0)
    appearance = _appearance(sightings)
    pairs = _water_pairs(events)
    rate = growth_rate(sightings)
    weights = cause_weights(first.look, day, alike=alike, said=context.said)
    against = {}
    for cause, behaviour in HARMLESS.items():
        growth = growth_evidence(
            rate,
            other_spread_mm_per_day=behaviour.growth_spread_mm_per_day,
            temperature_c=context.temperature_c,
        )
        again = _seen_again(events, pairs, behaviour)
        against[cause] = growth + again + _wetted(pairs, behaviour) + _bared(floored, behaviour)
    terms = {cause: log(weights[cause]) - against[cause] for cause in HARMLESS}
    top = max(terms.values())
    behaviour_nats = -(top + log(sum(exp(term - top) for term in terms.values())))
    return PatchEvidence(
        total=prior + appearance + behaviour_nats,
        prior=prior,
        siblings=siblings,
        appearance=appearance,
        behaviour=behaviour_nats,
        watered=bool(pairs),
        likeliest_harmless=max(terms, key=lambda cause: terms[cause]),
        since=first_photo,
    )


def day_nats(day: float | None) -> float:
    """Log odds that the day gives, 0 where it is not known."""
    if day is None:
        return 0.0
    if day <= _DAYS[0]:
        return _DAY_NATS[0]
    for left, right, low, high in zip(_DAYS, _DAYS[1:], _DAY_NATS, _DAY_NATS[1:], strict=False):
        if day <= right:
            return low + (high - low) * (day - left) / (right - left)
    return _DAY_NATS[-1]


def _alike(photo: TrayPhoto, day: float | None, context: PatchContext) -> float:
    """0 to 1: the siblings show the same even fuzz, in the days of root hairs."""
    siblings = context.siblings_fuzz.get(photo.photo_id)
    if siblings is None or photo.fuzz < _LEAST_FUZZ or day is None or not 1.0 <= day <= 4.0:
        return 0.0
    return min(1.0, siblings / photo.fuzz)


def _appearance(sightings: Sequence[tuple[TrayPhoto, PatchSighting]]) -> float:
    """Correlated logits, each weighed by how much of the patch the photo could show."""
    base = log(CALIBRATION_SHARE / (1 - CALIBRATION_SHARE))
    weights = [1 - hidden for hidden in hidden_shares(sightings)]
    total = sum(
        weight * (_logit(seen.likelihood) - base)
        for weight, (_, seen) in zip(weights, sightings, strict=True)
    )
    whole = sum(weights)
    return effective_readings(whole, PHOTO_CORRELATION) * total / whole


def _logit(likelihood: float) -> float:
    # No single photo is surer than that, whatever it says.
    clipped = min(max(likelihood, 1 - _SUREST), _SUREST)
    return log(clipped / (1 - clipped))


@dataclass(frozen=True, slots=True)
class _WaterPair:
    before: PatchSighting
    after: PatchSighting | None
    shown: float
    photo_id: str


def _water_pairs(events: Sequence[PatchEvent]) -> list[_WaterPair]:
    """Each sighting just before watering with the first photo just after it."""
    pairs = []
    for place, event in enumerate(events):
        if event.photo.watering is not Watering.BEFORE or event.sighting is None:
            continue
        after = next(
            (e for e in events[place + 1 :] if e.photo.watering is not Watering.BEFORE), None
        )
        if after is None or after.photo.watering is not Watering.AFTER:
            continue
        if after.photo.taken_at - event.photo.taken_at <= WATER_PAIR:
            shown = after.photo.could_show(event.sighting.diameter_mm)
            pairs.append(_WaterPair(event.sighting, after.sighting, shown, after.photo.photo_id))
    return pairs


def _wetted(pairs: Sequence[_WaterPair], other: Behaviour) -> float:
    """What the water says for mould against one explanation."""
    # Pairs of one patch repeat each other; a mean would let a weak pair dilute a strong one.
    total = sum(_one_pair(pair, other) for pair in pairs)
    return min(max(total, -_MOST_WATER_NATS), _MOST_WATER_NATS)


def _one_pair(pair: _WaterPair, other: Behaviour) -> float:
    if pair.after is None:
        return _missed(pair.shown, 1 - MOULD.gone_when_wet, 1 - other.gone_when_wet)
    ratio = log(pair.after.diameter_mm / pair.before.diameter_mm)
    stays = log((1 - MOULD.gone_when_wet) / (1 - other.gone_when_wet))
    shift = MOULD.log_ratio_when_wet - other.log_ratio_when_wet
    middle = (MOULD.log_ratio_when_wet + other.log_ratio_when_wet) / 2
    # A patch that seems to have grown in minutes says no more than one that stayed.
    return stays + shift * (min(ratio, 0.0) - middle) / WET_RATIO_SPREAD**2


def _floor_before(track: TrackedPatch, context: PatchContext) -> bool | None:
    """Whether photos of the first days show bare floor at a patch's place; None without any.

    Later ones are not asked: a smooth white patch passes for floor.
    """
    place = track.events[0].sighting
    early = [
        photo for photo in track.before if context.days.get(photo.photo_id, inf) <= _FLOOR_DAYS
    ]
    if place is None or not early:
        return None
    return any(
        hypot(spot.x_mm - place.x_mm, spot.y_mm - place.y_mm)
        <= spot.diameter_mm / 2 + _GATE * photo.position_uncertainty_mm
        for photo in early
        for spot in photo.bare_floor
    )


def _bared(floored: bool | None, other: Behaviour) -> float:
    """What floor seen there before, or seed, says for mould against one explanation."""
    if floored is None:
        return 0.0
    mould, harmless = MOULD.floor_before, other.floor_before
    return log(mould / harmless) if floored else log((1 - mould) / (1 - harmless))


def _seen_again(
    events: Sequence[PatchEvent], pairs: Sequence[_WaterPair], other: Behaviour
) -> float:
    """What being seen, or missed where it could be seen, says after the first sighting."""
    in_pairs = {pair.photo_id for pair in pairs}
    total = 0.0
    known = events[0].sighting
    for event in events[1:]:
        if event.sighting is not None:
            known = event.sighting
        if event.photo.photo_id in in_pairs or known is None:
            continue
        if event.sighting is not None:
            total += log(MOULD.seen_again / other.seen_again)
        else:
            total += _missed(
                event.photo.could_show(known.diameter_mm), MOULD.seen_again, other.seen_again
            )
    return total


def _missed(shown: float, mould_seen: float, other_seen: float) -> float:
    return log((1 - shown * mould_seen) / (1 - shown * other_seen))
