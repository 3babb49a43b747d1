"""Early warning over the photos of a run: quiet, look, or hold.

Evidence for mould is added up per followed patch (`trayvision.patch_evidence`). A look is asked
for at the decision interval of Page's test with a stated run length on harmless candidates; a
hold is said at the upper bound of Wald's test with stated error rates. Nothing here says that
feed is fit, and no photo can.
"""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from enum import StrEnum
from math import exp, inf, log
from typing import Final

from trayvision.harmless_causes import Cause
from trayvision.patch_evidence import PatchContext, PatchEvidence, patch_evidence
from trayvision.patch_growth import GrowthRate, growth_rate
from trayvision.patch_sighting import TrayPhoto, in_order
from trayvision.patch_tracking import TrackedPatch, track_patches
from trayvision.sequential_test import ErrorRates, decision_interval

# The evidence counts the photos of one patch as correlated and each of them for less than it
# tells, so it reaches a bound more rarely than the two tests reckon. With bounds lower by that
# much, nats, 1.03 % of 1067 tray-looks of 140 rendered clean series were false looks and none was a
# false hold (1 % and 0.1 % allowed); of 2158 on 280 others, on which nothing was chosen, 0.79 % and
# none (`tests/benchmarks/replay_series.py`).
# That of the hold could be larger still; outlines in photos differ more than rendered ones.
_LOOK_ROOM: Final = 0.25
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

    The last four were measured over 280 rendered series (`sample_images/series_set.py`, 0 to 279)
    with the networks as they are; `trayvision.synthetic_mould` draws photos of that kind.

    Raises
    ------
    ValueError
        If one is not positive and finite, or the rates leave no test.
    """

    false_looks: float = 0.01
    false_holds: float = 0.001
    candidate_photos: float = 0.21
    new_candidates: float = 0.20
    separation: float = 2.1
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
        dependence leaves of the rate is used.
        """
        run_length = self.candidate_photos / self.false_looks
        # The log likelihood ratio of two normals that far apart is the reading times it.
        bound = self.separation * decision_interval(self.separation / 2, run_length)
        return bound - _LOOK_ROOM

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
# adds: more than one, since evidence counts for less than it tells. Of the looks at 560 rendered
# series, weighted as if 8 % of runs turned mouldy (one tray-look in 100), of those called up to
# 0.3 likely 0.18 were mould, up to 0.5 0.62, beyond all.
ODDS_AT_LOOK: Final = -1.8
ODDS_PER_NAT: Final = 2.0
# Rendered mould is surer than it can be in a room.
_SUREST: Final = 0.95


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
    look, hold = rates.look_bound + shift, rates.hold_bound + shift
    suspicions = []
    for track in track_patches(ordered):
        evidence = patch_evidence(track, context)
        alert = _alert(evidence.total, look, hold, seen=len(track.sightings))
        likelihood = alert_likelihood(evidence.total - look)
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


def _alert(total: float, look: float, hold: float, *, seen: int) -> Alert:
    # One photo alone holds no tray from feeding: the spot must have been there twice.
    if total >= hold and seen >= 2:
        return Alert.HOLD
    return Alert.LOOK if total >= look else Alert.QUIET
