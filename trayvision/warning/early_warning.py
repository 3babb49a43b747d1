"""Early warning over the photos of a run: quiet, look, or hold.

Evidence for mould is added up per followed patch (`trayvision.warning.patch_evidence`). A look is
asked for at the decision interval of Page's test with a stated run length on harmless candidates;
a hold is said at the upper bound of Wald's test with stated error rates. No photo's own call is
overruled in silence: what one calls possible mould is looked at, and what one is nearly sure of is
held, until a photo that could show it does not. Only root hairs on all trays of a batch speak
against it, and what the room's people said.
Nothing here says that feed is fit, and no photo can.
"""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from enum import StrEnum
from math import exp, inf, log
from typing import Final

from trayvision.score.expectations import CALLED_LIKELIHOOD, HOLD_LIKELIHOOD
from trayvision.warning.harmless_causes import Cause
from trayvision.warning.patch_evidence import PatchContext, PatchEvidence, patch_evidence
from trayvision.warning.patch_growth import GrowthRate, growth_rate
from trayvision.warning.patch_sighting import TrayPhoto, in_order
from trayvision.warning.patch_tracking import TrackedPatch, track_patches
from trayvision.warning.sequential_test import ErrorRates, decision_interval

# The evidence counts the photos of one patch as correlated and each of them for less than it
# tells, so it reaches the hold more rarely than the test reckons: its bound is lower by that much,
# nats. It could be lower still; outlines in photos differ more than rendered ones. With photos'
# own calls a look is newly and falsely asked for in 0.84 % and a hold falsely said in 0.09 % of
# 1067 tray-looks of 140 rendered clean series (1 % and 0.1 % allowed); of 1996 on 261 others, on
# which nothing was chosen, in 1.10 % and none (`tests/benchmarks/replay_series.py`).
_HOLD_ROOM: Final = 1.95


class Alert(StrEnum):
    """What a run asks of the grower."""

    QUIET = "quiet"
    LOOK = "look"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class WarningRates:
    """The error rates that the two bounds are set for.

    Parameters
    ----------
    false_looks, false_holds : float
        Accepted shares of tray-looks (one photo of one clean tray).
    candidate_photos : float
        Harmless candidates in sight per tray-look.
    new_candidates : float
        Harmless places that open per tray-look.
    separation : float
        Distance of the logits of mould and of harmless candidates, in their standard deviation.
    missed : float
        Share of mouldy patches that the hold may miss.

    All but the accepted rates were measured over 280 rendered series
    (`sample_images/series_set.py`, 0 to 279), `missed` with the first network before the present
    one; `trayvision.synthetic.mould` draws photos of that kind.

    Raises
    ------
    ValueError
        If one is not positive and finite, or the rates leave no test.
    """

    false_looks: float = 0.01
    false_holds: float = 0.001
    candidate_photos: float = 0.14
    new_candidates: float = 0.14
    separation: float = 1.75
    missed: float = 0.35

    def __post_init__(self) -> None:
        for entry in fields(self):
            value = getattr(self, entry.name)
            if not 0 < value < inf:
                raise ValueError(f"{entry.name} must be positive and finite, got {value!r}")

    @property
    def look_bound(self) -> float:
        """Evidence at which to look, nats: Page's test, one false look per run length.

        The run length counts photos of harmless candidates, taken as independent; what their
        dependence leaves of the rate goes to the photos' own calls.
        """
        run_length = self.candidate_photos / self.false_looks
        # The log likelihood ratio of two normals that far apart is the reading times it.
        return self.separation * decision_interval(self.separation / 2, run_length)

    @property
    def hold_bound(self) -> float:
        """Evidence at which to hold, nats: Wald's test of each place that opens."""
        bound = ErrorRates(self.false_holds / self.new_candidates, self.missed).upper
        return bound - _HOLD_ROOM


# A room moves the bounds by no more than that: down to twice the false looks, or up to what a
# patch of mould in two clear photos still passes.
_LOWEST_SHIFT, _HIGHEST_SHIFT = -0.5, 1.2
# What is expected of a look before there are verdicts: 1 false look in 100 and 1 tray in 100
# mouldy make every second look right. It weighs as much as four verdicts.
_RIGHT_BEFORE, _WRONG_BEFORE = 2.0, 2.0
# Log odds that a patch is mould whose evidence just reaches the look, and what each nat beyond
# adds: more than one, since evidence counts for less than it tells. Fitted on the looks at 280
# rendered series, weighted as if 8 % of runs turned mouldy. Of those at 520 others called up to
# 0.1 likely 0.03 were mould, up to 0.3 0.17, up to 0.5 0.10, up to 0.7 0.98, up to 0.9 0.85,
# beyond all.
ODDS_AT_LOOK: Final = -0.3
ODDS_PER_NAT: Final = 1.8
# Rendered mould is surer than it can be in a room.
_SUREST: Final = 0.95
_SUREST_CALL: Final = 0.999


@dataclass(frozen=True, slots=True)
class RoomVerdicts:
    """How often this room's looks turned out right, and what the wrong ones were.

    Parameters
    ----------
    right : int
        Looks and holds that people confirmed.
    wrong : tuple of (Cause, int)
        How often each harmless cause was named.
    wrong_otherwise : int
        Wrong without a cause named.

    Raises
    ------
    ValueError
        If a count is negative.
    """

    right: int = 0
    wrong: tuple[tuple[Cause, int], ...] = ()
    wrong_otherwise: int = 0

    def __post_init__(self) -> None:
        counts = (self.right, self.wrong_otherwise, *(count for _, count in self.wrong))
        if min(counts) < 0:
            raise ValueError(f"counts of verdicts must not be negative, got {counts!r}")

    @property
    def wrong_in_all(self) -> int:
        """Wrong looks of every cause."""
        return self.wrong_otherwise + sum(count for _, count in self.wrong)

    @property
    def share_right(self) -> float:
        """Posterior mean of the share of right looks (beta-binomial)."""
        right = self.right + _RIGHT_BEFORE
        return right / (right + self.wrong_in_all + _WRONG_BEFORE)

    @property
    def shift(self) -> float:
        """What is added to the bounds, nats, within -0.5 and +1.2.

        The log odds of the expected share of right looks less those of this room's: where looks
        are wrong more often than expected, candidates here start from lower odds.
        """
        expected = log(_RIGHT_BEFORE / _WRONG_BEFORE)
        here = log(self.share_right / (1 - self.share_right))
        return min(max(expected - here, _LOWEST_SHIFT), _HIGHEST_SHIFT)


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One followed patch with its evidence and what it asks for.

    Parameters
    ----------
    track : TrackedPatch
    evidence : PatchEvidence
    alert : Alert
    likelihood : float
        That it is mould, in a room where one run in twelve turns mouldy.
    growth : GrowthRate or None
    """

    track: TrackedPatch
    evidence: PatchEvidence
    alert: Alert
    likelihood: float
    growth: GrowthRate | None


@dataclass(frozen=True, slots=True)
class RunWarning:
    """The state of one run after its photos.

    Parameters
    ----------
    alert : Alert
        The most urgent one of its patches.
    suspicions : tuple of Suspicion
        Every followed patch, strongest evidence first.
    judged : bool
        False where no photo could have shown a patch: quiet then means nothing.
    """

    alert: Alert
    suspicions: tuple[Suspicion, ...]
    judged: bool


def watch_run(
    photos: Iterable[TrayPhoto],
    *,
    context: PatchContext | None = None,
    rates: WarningRates | None = None,
    verdicts: RoomVerdicts | None = None,
) -> RunWarning:
    """Add up the evidence of one run of one tray.

    A pure function of all photos so far: their order does not matter, and a photo that comes
    late is counted where it belongs.

    Parameters
    ----------
    photos : iterable of TrayPhoto
        Of one run.
    context : PatchContext, optional
    rates : WarningRates, optional
    verdicts : RoomVerdicts, optional

    Raises
    ------
    ValueError
        If one `photo_id` comes with two different contents.
    """
    ordered = in_order(photos)
    context, rates = context or PatchContext(), rates or WarningRates()
    shift = verdicts.shift if verdicts else 0.0
    suspicions = []
    for track in track_patches(ordered):
        evidence = patch_evidence(track, context)
        beyond_look, beyond_hold = margins_nats(track, evidence, rates)
        held, looked = beyond_hold >= shift, beyond_look >= shift
        alert = Alert.HOLD if held else Alert.LOOK if looked else Alert.QUIET
        likelihood = alert_likelihood(evidence.total - rates.look_bound - shift)
        growth = growth_rate(track.sightings)
        suspicions.append(Suspicion(track, evidence, alert, likelihood, growth))
    suspicions.sort(key=lambda suspicion: -suspicion.evidence.total)
    alerts = {suspicion.alert for suspicion in suspicions}
    worst = next((a for a in (Alert.HOLD, Alert.LOOK) if a in alerts), Alert.QUIET)
    judged = any(photo.smallest_patch_mm is not None and photo.seen > 0 for photo in ordered)
    return RunWarning(worst, tuple(suspicions), judged)


def alert_likelihood(beyond: float) -> float:
    """How likely evidence so many nats beyond the look is of mould, up to 0.95."""
    return min(_SUREST, 1 / (1 + exp(-(ODDS_AT_LOOK + ODDS_PER_NAT * beyond))))


def margins_nats(
    track: TrackedPatch, evidence: PatchEvidence, rates: WarningRates
) -> tuple[float, float]:
    """How far a followed patch lies beyond the look and beyond the hold, below 0 short of them.

    Parameters
    ----------
    track : TrackedPatch
    evidence : PatchEvidence
    rates : WarningRates
    """
    # The day and the look say nothing against a photo's own call, hairs on all siblings do.
    call = _log_odds(track.standing_likelihood) + evidence.siblings
    look = max(
        evidence.total - rates.look_bound,
        call - _log_odds(CALLED_LIKELIHOOD.value),
    )
    sure = call - _log_odds(HOLD_LIKELIHOOD.value)
    # What only adds up to a hold must have been there twice.
    twice = len(track.sightings) >= 2
    return look, max(evidence.total - rates.hold_bound, sure) if twice else sure


def _log_odds(likelihood: float) -> float:
    clipped = min(max(likelihood, 1 - _SUREST_CALL), _SUREST_CALL)
    return log(clipped / (1 - clipped))
