"""Evidence over the photos of a run: what raises it, what lowers it, what it may not depend on."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import exp, log, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.synthetic.mould import MouldHabits, SyntheticTrays
from trayvision.warning.early_warning import (
    Alert,
    RoomVerdicts,
    RunWarning,
    WarningRates,
    alert_likelihood,
    watch_run,
)
from trayvision.warning.harmless_causes import HARMLESS, MOULD, Cause, cause_weights
from trayvision.warning.patch_evidence import PHOTO_CORRELATION, PatchContext, day_nats
from trayvision.warning.patch_sighting import PatchSighting, Spot, TrayPhoto, Watering
from trayvision.warning.sequential_test import decision_interval, effective_readings

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def sighting(
    diameter: float = 8.0,
    likelihood: float = 0.7,
    *,
    place: tuple[float, float] = (-170.0, 55.0),
    look: str = "white fuzz",
) -> PatchSighting:
    return PatchSighting(*place, diameter, 0.1 * diameter, likelihood, look)


def photo(
    day: float, *patches: PatchSighting, watering: Watering = Watering.UNKNOWN, fuzz: float = 0.0
) -> TrayPhoto:
    return TrayPhoto(
        f"p{day:.3f}", START + timedelta(days=day), patches, watering=watering, fuzz=fuzz
    )


def context(photos: Sequence[TrayPhoto], siblings_fuzz: float | None = None) -> PatchContext:
    days = {one.photo_id: (one.taken_at - START).total_seconds() / 86400 for one in photos}
    fuzz = {} if siblings_fuzz is None else dict.fromkeys(days, siblings_fuzz)
    return PatchContext(days=days, siblings_fuzz=fuzz)


def watch(photos: Sequence[TrayPhoto], siblings_fuzz: float | None = None) -> RunWarning:
    return watch_run(photos, context=context(photos, siblings_fuzz))


def evidence(photos: Sequence[TrayPhoto], siblings_fuzz: float | None = None) -> float:
    (suspicion,) = watch(photos, siblings_fuzz).suspicions
    return suspicion.evidence.total


def test_nothing_seen_is_quiet() -> None:
    warning = watch([photo(4), photo(4.5)])
    assert (warning.alert, warning.suspicions, warning.judged) == (Alert.QUIET, (), True)


def test_quiet_means_nothing_where_nothing_could_be_judged() -> None:
    blurred = replace(photo(4), smallest_patch_mm=None)
    assert not watch([blurred]).judged
    assert not watch([replace(photo(4), seen=0.0)]).judged
    assert not watch([]).judged


def test_a_growing_patch_goes_from_quiet_to_look_to_hold() -> None:
    course = [
        (4.0, 3.0, 0.2),
        (4.5, 6.0, 0.7),
        (5.0, 9.5, 0.85),
        (5.5, 14.0, 0.95),
        (6.0, 20.0, 0.97),
    ]
    photos = [photo(day, sighting(d, p)) for day, d, p in course]
    alerts = [watch(photos[:count]).alert for count in range(1, 6)]
    assert alerts == [Alert.QUIET, Alert.LOOK, Alert.LOOK, Alert.HOLD, Alert.HOLD]


def test_a_husk_that_always_looks_somewhat_like_mould_is_never_held() -> None:
    photos = [photo(1 + n / 2, sighting(6.0, 0.7, look="dark")) for n in range(16)]
    assert all(watch(photos[:count]).alert is not Alert.HOLD for count in range(1, 17))


def test_a_canopy_that_closes_over_it_clears_nothing() -> None:
    plain = [photo(5 + n / 2, sighting(12.0 + 8 * n, 0.97)) for n in range(3)]
    closed = replace(photo(7, sighting(7.0, 0.55)), cover=0.95)
    assert watch(plain).alert is watch([*plain, closed]).alert is Alert.HOLD
    assert evidence([*plain, closed]) > evidence([*plain, replace(closed, cover=0.0)]) + 0.5


def test_what_begins_dark_needs_more() -> None:
    white, dark = (photo(5, sighting(8.0, 0.8, look=look)) for look in ("white fuzz", "dark"))
    assert evidence([white]) == pytest.approx(evidence([dark]) + 1.0)
    later = photo(6, sighting(9.0, 0.9, look="dark"))
    assert evidence([white, later]) > evidence([dark, later])


# 0.5 is where a photo calls mould, as in the accuracy report, and 0.9 where it is nearly sure
# (`trayvision.score.expectations`).
def test_one_photo_alone_holds_only_where_it_is_nearly_sure() -> None:
    assert watch([photo(6, sighting(40.0, 0.89))]).alert is Alert.LOOK
    assert watch([photo(6, sighting(40.0, 0.9))]).alert is Alert.HOLD
    before = photo(6, sighting(40.0, 0.89), watering=Watering.BEFORE)
    after = photo(6.02, sighting(40.0, 0.89), watering=Watering.AFTER)
    assert watch([before, after]).alert is Alert.HOLD


def test_what_only_adds_up_to_a_hold_must_have_been_there_twice() -> None:
    # A room that accepts ten times the false holds holds on less than one such photo tells.
    rates = WarningRates(false_holds=0.01)
    once = photo(6, sighting(40.0, 0.89))
    again = photo(6.5, sighting(40.0, 0.89))
    assert evidence([once]) > rates.hold_bound
    for photos, alert in (([once], Alert.LOOK), ([once, again], Alert.HOLD)):
        assert watch_run(photos, context=context(photos), rates=rates).alert is alert


@pytest.mark.parametrize("day", [0.5, 2.5, 3.0, 6.0])
@pytest.mark.parametrize("look", ["white fuzz", "dark", "grey-green"])
def test_what_a_photo_calls_mould_is_looked_at_whatever_speaks_against_it(
    day: float, look: str
) -> None:
    assert watch([photo(day, sighting(20.0, 0.5, look=look))]).alert is Alert.LOOK
    assert watch([photo(day, sighting(20.0, 0.956, look=look))]).alert is Alert.HOLD
    assert watch([photo(day, sighting(20.0, 0.4, look=look))]).alert is Alert.QUIET


# The same even fuzz on all siblings takes two nats off what a photo calls: 0.88 is one half then,
# and 0.985 nine tenths.
@pytest.mark.parametrize(
    ("likelihood", "alone", "all_hairy"),
    [
        (0.85, Alert.LOOK, Alert.QUIET),
        (0.93, Alert.HOLD, Alert.LOOK),
        (0.99, Alert.HOLD, Alert.HOLD),
    ],
)
def test_only_hairs_on_all_siblings_speak_against_a_photos_own_call(
    likelihood: float, alone: Alert, all_hairy: Alert
) -> None:
    hairy = [photo(2.5, sighting(8.0, likelihood), fuzz=0.4)]
    assert watch(hairy, 0.0).alert is alone
    assert watch(hairy, 0.4).alert is all_hairy


def test_a_photo_that_could_not_show_a_spot_does_not_clear_it() -> None:
    called, sure = (photo(5, sighting(20.0, likelihood)) for likelihood in (0.7, 0.95))
    hidden = replace(photo(6), cover=0.97)
    blurred = replace(photo(6), smallest_patch_mm=None)
    for later in (hidden, blurred):
        assert watch([called, later]).alert is Alert.LOOK
        assert watch([sure, later]).alert is Alert.HOLD
    bare = replace(photo(6), cover=0.2)
    assert watch([called, bare]).alert is Alert.QUIET
    assert watch([sure, bare]).alert is Alert.LOOK


def test_the_pair_before_and_after_watering_is_the_strongest_evidence() -> None:
    before = photo(2.5, sighting(8.0, 0.6), watering=Watering.BEFORE)
    stayed = photo(2.52, sighting(8.0, 0.6), watering=Watering.AFTER)
    shrunk = photo(2.52, sighting(4.0, 0.6), watering=Watering.AFTER)
    gone = photo(2.52, watering=Watering.AFTER)
    plain = replace(stayed, watering=Watering.UNKNOWN)
    alone = evidence([before])
    assert evidence([before, stayed]) > evidence([before, plain]) + 0.5 > alone
    assert evidence([before, stayed]) > evidence([before, shrunk]) + 0.5
    # Max over all beginnings: that it was there before can no longer help a patch that shrank.
    assert evidence([before, shrunk]) >= alone - 1.0
    assert evidence([before, gone]) < alone - 0.4


def test_a_patch_that_seems_to_grow_in_the_wet_says_no_more_than_one_that_stays() -> None:
    before = photo(2.5, sighting(8.0, 0.6), watering=Watering.BEFORE)
    stayed = photo(2.52, sighting(8.0, 0.6), watering=Watering.AFTER)
    wider = photo(2.52, sighting(12.0, 0.6), watering=Watering.AFTER)
    assert evidence([before, wider]) == pytest.approx(evidence([before, stayed]), abs=0.2)


# Bayes over a mixture of explanations: with w the weight of floor, seen bare there with the
# probability 0.9, all else (mould too) with 0.02, the log likelihood ratio of mould is
# ln(0.02 / (0.9 w + 0.02 (1 - w))) where floor was seen, ln(0.98 / (0.1 w + 0.98 (1 - w))) else.
def test_a_place_that_was_bare_floor_on_the_first_days_is_hardly_mould() -> None:
    late = photo(5, sighting(10.0, 0.9))
    floor = Spot(-165.0, 58.0, 20.0)
    bare, elsewhere = (
        replace(photo(1), bare_floor=(spot,)) for spot in (floor, replace(floor, x_mm=60.0))
    )
    alone = evidence([late])
    weight = cause_weights("white fuzz", 5.0)[Cause.FLOOR]
    there = log(0.02 / (0.9 * weight + 0.02 * (1 - weight)))
    not_there = log(0.98 / (0.1 * weight + 0.98 * (1 - weight)))
    assert evidence([bare, late]) == pytest.approx(alone + there)
    assert evidence([elsewhere, late]) == pytest.approx(alone + not_there)
    assert there < -2 and 0 < not_there < 0.5
    (suspicion,) = watch([bare, late]).suspicions
    assert suspicion.evidence.likeliest_harmless is Cause.FLOOR
    assert watch([elsewhere, late]).suspicions[0].evidence.likeliest_harmless is not Cause.FLOOR


# A spot of 20 mm reaches 10 mm from its middle, and a place is known to 2 mm: three of them more.
@pytest.mark.parametrize(("apart_mm", "floored"), [(15.0, True), (17.5, False)])
def test_floor_speaks_for_the_places_that_it_may_have_reached(
    apart_mm: float, floored: bool
) -> None:
    late = photo(5, sighting(10.0, 0.9))
    spot = Spot(-170.0 + 0.6 * apart_mm, 55.0 + 0.8 * apart_mm, 20.0)
    told = evidence([replace(photo(1), bare_floor=(spot,)), late])
    assert (told < evidence([late])) is floored


# Mould is seldom there before, and what looks like floor later may be a smooth white patch.
@pytest.mark.parametrize(("day", "asked"), [(2.4, True), (2.6, False)])
def test_floor_is_asked_of_photos_up_to_the_middle_of_day_2(day: float, asked: bool) -> None:
    late = photo(5, sighting(10.0, 0.9))
    bare = replace(photo(day), bare_floor=(Spot(-170.0, 55.0, 20.0),))
    assert (evidence([bare, late]) < evidence([late])) is asked


def test_floor_excuses_nothing_once_mould_may_pass_for_it() -> None:
    late = photo(5, sighting(10.0, 0.9))
    white = (Spot(-170.0, 55.0, 20.0),)
    alone = evidence([late])
    assert evidence([replace(photo(4), bare_floor=white), late]) == alone
    assert evidence([replace(late, bare_floor=white)]) == alone
    # Without a known day of the photo, nothing is known of the first days either.
    early = replace(photo(1), bare_floor=white)
    days = {late.photo_id: 5.0}
    (suspicion,) = watch_run([early, late], context=PatchContext(days=days)).suspicions
    assert suspicion.evidence.total == alone


def test_mould_that_spreads_over_bare_floor_is_held_all_the_same() -> None:
    bare = replace(photo(1), bare_floor=(Spot(-170.0, 55.0, 12.0),))
    spreads = [photo(4 + n / 2, sighting(8.0 + 9 * n, 0.97)) for n in range(5)]
    assert watch([bare, *spreads]).alert is Alert.HOLD


def test_a_pair_hours_apart_is_no_pair() -> None:
    before = photo(2.5, sighting(8.0, 0.6), watering=Watering.BEFORE)
    soon = photo(2.52, sighting(8.0, 0.6), watering=Watering.AFTER)
    late = photo(2.9, sighting(8.0, 0.6), watering=Watering.AFTER)
    assert watch([before, soon]).suspicions[0].evidence.watered
    assert not watch([before, late]).suspicions[0].evidence.watered


def test_the_same_fuzz_on_all_siblings_speaks_for_hairs_in_their_days_only() -> None:
    hairy = [photo(2.5, sighting(), fuzz=0.4)]
    assert evidence(hairy, 0.4) < evidence(hairy, 0.1) < evidence(hairy, 0.0)
    assert evidence(hairy, 0.0) == evidence(hairy)
    priors = [watch(hairy, f).suspicions[0].evidence.prior for f in (0.0, 0.2, 0.4, 0.8)]
    assert priors == pytest.approx([priors[0] - less for less in (0.0, 1.0, 2.0, 2.0)])
    late = [photo(5.5, sighting(), fuzz=0.4)]
    assert evidence(late, 0.4) == evidence(late)
    (suspicion,) = watch(hairy, 0.4).suspicions
    assert suspicion.evidence.likeliest_harmless is Cause.ROOT_HAIRS


def test_the_day_is_a_prior() -> None:
    totals = [evidence([photo(day, sighting(look="grey-green"))]) for day in (2.5, 4.0, 5.5)]
    assert totals == sorted(totals)
    assert totals[2] - totals[0] == pytest.approx(day_nats(5.5) - day_nats(2.5))


def test_a_miss_counts_only_where_the_photo_could_have_shown_it() -> None:
    seen = photo(4, sighting(8.0, 0.8))
    clear, blurred = photo(4.5), replace(photo(4.5), smallest_patch_mm=None)
    coarse = replace(photo(4.5), smallest_patch_mm=25.0)
    hidden = replace(photo(4.5), cover=1.0)
    alone = evidence([seen])
    assert evidence([seen, clear]) < alone - 0.1
    for unable in (blurred, coarse, hidden):
        assert evidence([seen, unable]) == pytest.approx(alone, abs=1e-3)


def test_growth_convinces_and_standing_still_does_not() -> None:
    days = [4 + n / 2 for n in range(5)]
    still = [photo(day, sighting(8.0, 0.75)) for day in days]
    grows = [photo(day, sighting(8.0 + 6 * (day - 4), 0.75)) for day in days]
    assert evidence(grows) > evidence(still) + 1.5
    assert watch(still).suspicions[0].growth is not None


series = st.lists(
    st.tuples(
        st.lists(
            st.tuples(
                st.sampled_from([(-170.0, 55.0), (-120.0, 55.0), (60.0, -80.0)]),
                st.floats(3, 25),
                st.floats(0.02, 0.99),
            ),
            max_size=2,
        ),
        st.sampled_from(Watering),
        st.floats(2, 12),
    ),
    min_size=1,
    max_size=6,
)
Drawn = list[tuple[list[tuple[tuple[float, float], float, float]], Watering, float]]


def photos_of(drawn: Drawn) -> list[TrayPhoto]:
    return [
        replace(
            photo(
                2 + number / 8,
                *(sighting(d, p, place=place) for place, d, p in content),
                watering=watering,
            ),
            smallest_patch_mm=smallest,
        )
        for number, (content, watering, smallest) in enumerate(drawn)
    ]


def totals(photos: Sequence[TrayPhoto]) -> list[float]:
    warning = watch(photos)
    return sorted(suspicion.evidence.total for suspicion in warning.suspicions)


@given(series)
def test_order_and_repetition_of_photos_do_not_matter(drawn: Drawn) -> None:
    photos = photos_of(drawn)
    assert watch(photos) == watch([*photos[::-1], *photos])


@given(series, st.sampled_from(Watering), st.floats(0.01, 3), st.floats(2, 12))
def test_a_clean_later_photo_never_raises_suspicion(
    drawn: Drawn, watering: Watering, later: float, smallest: float
) -> None:
    photos = photos_of(drawn)
    day = 2 + (len(drawn) - 1) / 8 + later
    clean = replace(photo(day, watering=watering), smallest_patch_mm=smallest)
    before, after = totals(photos), totals([*photos, clean])
    assert len(after) == len(before)
    assert all(a <= b + 1e-9 for a, b in zip(after, before, strict=True))


@given(series, st.data())
def test_a_likelier_sighting_never_lowers_the_evidence(drawn: Drawn, data: st.DataObject) -> None:
    photos = photos_of(drawn)
    places = [(n, k) for n, one in enumerate(photos) for k in range(len(one.patches))]
    if not places:
        return
    number, which = data.draw(st.sampled_from(places))
    patch = photos[number].patches[which]
    higher = replace(patch, likelihood=data.draw(st.floats(patch.likelihood, 1.0)))
    patches = list(photos[number].patches)
    patches[which] = higher
    raised = [*photos]
    raised[number] = replace(photos[number], patches=tuple(patches))
    assert all(b >= a - 1e-9 for a, b in zip(totals(photos), totals(raised), strict=True))


# With d the separation of two normals of equal spread and common correlation, the log likelihood
# ratio of n equally correlated logits is their mean times n / (1 + (n - 1) rho), where each alone
# is calibrated; its exponential has the mean 1 under the null hypothesis (Wald's identity).
def test_appearance_is_a_likelihood_ratio_for_correlated_photos() -> None:
    rng = np.random.default_rng(8)
    mean, count, trials = 0.6, 5, 40_000
    spread = sqrt(2 * mean)
    shared = rng.normal(0, spread * sqrt(PHOTO_CORRELATION), (trials, 1))
    own = rng.normal(0, spread * sqrt(1 - PHOTO_CORRELATION), (trials, count))
    logits = -mean + shared + own
    ratios = np.exp(effective_readings(count, PHOTO_CORRELATION) * logits.mean(axis=1))
    assert ratios.mean() == pytest.approx(1.0, abs=0.05)


def test_the_days_spend_no_more_than_the_stated_rate() -> None:
    # Harmless candidates by day: half of them in the days of hairs, half evenly over 8 days.
    days = np.linspace(0, 8, 801)
    density = 0.5 / 8 + np.where((days >= 1.5) & (days <= 3.5), 0.5 / 2, 0.0)
    odds = np.array([exp(day_nats(float(day))) for day in days])
    assert np.average(odds, weights=density) <= 1.0
    assert day_nats(None) == 0.0


def test_no_harmless_cause_is_seen_again_more_surely_than_mould() -> None:
    for behaviour in HARMLESS.values():
        assert behaviour.seen_again <= MOULD.seen_again
        assert behaviour.gone_when_wet >= MOULD.gone_when_wet
        assert behaviour.log_ratio_when_wet <= MOULD.log_ratio_when_wet


def test_verdicts_shift_the_weights_of_causes() -> None:
    plain = cause_weights("white fuzz", 5.0)
    assert cause_weights("white fuzz", 5.0, alike=1.0)[Cause.ROOT_HAIRS] > plain[Cause.ROOT_HAIRS]
    taught = cause_weights("white fuzz", 5.0, said={Cause.ROOT_HAIRS: 3})
    assert taught[Cause.ROOT_HAIRS] > plain[Cause.ROOT_HAIRS]
    for weights in (plain, taught, cause_weights("dark", None, alike=1.0)):
        assert sum(weights.values()) == pytest.approx(1.0)
        assert min(weights.values()) > 0
    with pytest.raises(ValueError, match="said must hold counts of 0 or more"):
        cause_weights("dark", 3.0, said={Cause.GLARE: -1})


def test_bounds_are_those_of_the_two_tests() -> None:
    rates = WarningRates()
    # Wald: ln((1 - beta) / alpha), alpha the accepted false holds per harmless place, less what
    # rendered series showed to be unused of the rate.
    assert rates.hold_bound == pytest.approx(log(0.65 / (0.001 / 0.14)) - 1.95)
    assert rates.look_bound == pytest.approx(1.75 * decision_interval(0.875, 14.0))
    assert WarningRates(false_looks=0.005).look_bound > rates.look_bound
    with pytest.raises(ValueError, match="separation must be positive and finite, got 0"):
        WarningRates(separation=0)


# Beta-binomial: prior Beta(2, 2), posterior mean (right + 2) / (right + wrong + 4).
def test_verdicts_move_the_bounds_within_limits() -> None:
    assert RoomVerdicts().shift == 0.0
    assert RoomVerdicts(right=2, wrong_otherwise=1).share_right == pytest.approx(4 / 7)
    assert RoomVerdicts(right=2, wrong_otherwise=1).shift == pytest.approx(log(3 / 4))
    assert RoomVerdicts(right=500).shift == -0.5
    assert RoomVerdicts(wrong=((Cause.GLARE, 400),)).shift == 1.2
    shifts = [RoomVerdicts(right=5, wrong_otherwise=wrong).shift for wrong in range(30)]
    assert shifts == sorted(shifts)
    with pytest.raises(ValueError, match="counts of verdicts must not be negative"):
        RoomVerdicts(right=-1)


def test_verdicts_change_the_alert() -> None:
    # The most that verdicts add to the log odds, 1.2, asks for 0.77 where 0.5 was enough.
    photos = [photo(5, sighting(8.0, 0.75))]
    assert watch(photos).alert is Alert.LOOK
    strict = RoomVerdicts(right=0, wrong_otherwise=50)
    assert watch_run(photos, context=context(photos), verdicts=strict).alert is Alert.QUIET
    # How likely it is falls as well: 1.2 nats beyond the look, by 1.8 of log odds each.
    (usual,) = watch(photos).suspicions
    (there,) = watch_run(photos, context=context(photos), verdicts=strict).suspicions
    odds = [one.likelihood / (1 - one.likelihood) for one in (usual, there)]
    assert log(odds[0] / odds[1]) == pytest.approx(1.2 * 1.8)
    # Even then, mould that is plain in two photos is held.
    plain = [
        photo(5, sighting(9.0, 0.97)),
        photo(5.5, sighting(15.0, 0.98)),
        photo(6, sighting(21.0, 0.98)),
    ]
    assert watch_run(plain, context=context(plain), verdicts=strict).alert is Alert.HOLD


def test_same_seed_same_series() -> None:
    draws = [SyntheticTrays().draw(mouldy=True, rng=np.random.default_rng(3)) for _ in range(2)]
    assert draws[0].photos == draws[1].photos


# Invented: a segmentation that finds nearly all that a photo shows and is seldom wrong, beside the
# one that there is.
CLEAR_SIGHTED = MouldHabits(mould_logit=2.0, harmless_logit=-2.5, found_share=0.97)


@pytest.mark.parametrize(("habits", "least_found"), [(CLEAR_SIGHTED, 37), (MouldHabits(), 28)])
def test_error_rates_are_kept_on_simulated_series(habits: MouldHabits, least_found: int) -> None:
    rng, trays = np.random.default_rng(21), SyntheticTrays(habits)
    looks = holds = photos = found = 0
    for _ in range(40):
        clean = trays.draw(mouldy=False, rng=rng)
        alerts = [
            watch_run(clean.photos[:count], context=clean.context).alert
            for count in range(len(clean.photos) + 1)
        ]
        photos += len(clean.photos)
        # A look is asked for once, however long nobody answers it.
        looks += sum(
            now is not Alert.QUIET and before is Alert.QUIET for before, now in pairwise(alerts)
        )
        holds += alerts.count(Alert.HOLD)
        mouldy = trays.draw(mouldy=True, rng=rng)
        found += watch_run(mouldy.photos, context=mouldy.context).alert is not Alert.QUIET
    assert photos > 700
    assert looks <= 0.02 * photos
    assert holds == 0
    assert found >= least_found


def test_likelihood_rises_with_the_evidence_and_is_never_certain() -> None:
    weak = watch([photo(5, sighting(8.0, 0.65))]).suspicions[0]
    strong = watch([photo(5 + n / 2, sighting(9.0 + 6 * n, 0.97)) for n in range(5)]).suspicions[0]
    assert 0 < weak.likelihood < 0.5 < strong.likelihood <= 0.95
    # The log odds at the bound, -0.3, and 1.8 more for each nat beyond.
    assert alert_likelihood(0.0) == pytest.approx(1 / (1 + exp(0.3)))
    assert alert_likelihood(1 / 6) == pytest.approx(0.5)
    assert alert_likelihood(20.0) == 0.95
