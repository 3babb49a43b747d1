"""Patches followed from photo to photo, and their growth."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import pi, sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.measures.mould import MouldPatch
from trayvision.warning.patch_growth import (
    PUBLISHED_ISOLATES,
    GrowthRate,
    growth_evidence,
    growth_rate,
)
from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto, hidden_shares
from trayvision.warning.patch_tracking import track_patches

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
TABLE = Path(__file__).parents[1] / "reference_values" / "mould_growth_jof2023_table5.csv"


def sighting(x: float, y: float, diameter: float = 8.0, likelihood: float = 0.7) -> PatchSighting:
    return PatchSighting(x, y, diameter, 0.1 * diameter, likelihood)


def photo(day: float, *patches: PatchSighting) -> TrayPhoto:
    return TrayPhoto(f"p{day:.3f}", START + timedelta(days=day), patches)


def test_each_patch_keeps_its_own_place() -> None:
    rng = np.random.default_rng(2)
    places = np.array([[-180.0, 60.0], [-150.0, 66.0], [20.0, -90.0], [230.0, 101.0]])
    photos = [
        photo(day / 2, *(sighting(*(xy + rng.normal(0, 1.5, 2))) for xy in rng.permutation(places)))
        for day in range(8)
    ]
    tracks = track_patches(photos)
    assert len(tracks) == len(places)
    for track in tracks:
        seen = np.array([[s.x_mm, s.y_mm] for _, s in track.sightings])
        assert len(seen) == len(photos)
        assert np.hypot(*(places - seen.mean(axis=0)).T).min() < 2
        assert seen.std(axis=0).max() < 4


def test_two_patches_whose_gates_overlap_are_assigned_at_the_least_total() -> None:
    # The nearest first would give (0, 0) to the patch at 6 mm and leave the other alone.
    first = photo(3, sighting(0, 0), sighting(9, 0))
    second = photo(3.5, sighting(5, 0), sighting(14, 0))
    tracks = track_patches([first, second])
    assert [[s.x_mm for _, s in track.sightings] for track in tracks] == [[0, 5], [9, 14]]


def test_all_patches_of_a_shifted_photo_move_together() -> None:
    # The tray was placed 4.5 mm further along in the second photo. At the least sum of distances
    # one patch would stay where the other was and the other jump twice as far.
    first = photo(3, sighting(0, 0), sighting(4.5, 1))
    second = photo(3.5, sighting(4.5, 1), sighting(9, 0))
    tracks = track_patches([first, second])
    assert [[s.x_mm for _, s in track.sightings] for track in tracks] == [[0, 4.5], [4.5, 9]]


def test_a_place_outside_the_gate_is_a_new_one() -> None:
    assert len(track_patches([photo(3, sighting(0, 0)), photo(3.5, sighting(60, 0))])) == 2


# Each photo places a patch to 2 mm: three times their quadrature sum is 8.5 mm. Its outline, of
# 8 mm, may differ by a quarter of that.
@pytest.mark.parametrize(("apart_mm", "places"), [(10.2, 1), (10.8, 2)])
def test_a_patch_is_looked_for_as_far_as_it_may_have_been_misplaced(
    apart_mm: float, places: int
) -> None:
    aslant = apart_mm / np.hypot(3.0, 4.0)
    photos = [photo(3, sighting(0, 0)), photo(3.5, sighting(3.0 * aslant, 4.0 * aslant))]
    assert len(track_patches(photos)) == places


def test_a_patch_that_grows_to_one_side_is_still_the_same() -> None:
    small, large = sighting(0, 0, 6.0), sighting(13, 0, 32.0)
    assert len(track_patches([photo(3, small), photo(4, large)])) == 1
    # Without time to grow it is another one.
    assert len(track_patches([photo(3, small), photo(3.001, large)])) == 2


@pytest.mark.parametrize(("along_mm", "across_mm"), [(0.5, 0.5), (4.0, 0.5), (8.0, 60.0)])
def test_a_colony_that_grows_out_of_a_corner_is_still_the_same(
    along_mm: float, across_mm: float
) -> None:
    # A disc that the tray's walls cut off, by its pixels: centre of mass, and diameter by area.
    step_mm = 0.5
    x, y = np.meshgrid(*2 * [np.arange(step_mm / 2, 130, step_mm)])

    def seen(day: float, radius_mm: float) -> TrayPhoto:
        inside = np.hypot(x - along_mm, y - across_mm) <= radius_mm
        area_mm2 = inside.sum() * step_mm**2
        return photo(
            day, sighting(x[inside].mean(), y[inside].mean(), np.sqrt(4 * area_mm2 / np.pi))
        )

    # Two days without a photo, at 18.5 mm a day: the fastest of the table does 33.6.
    assert len(track_patches([seen(3, 3.0), seen(5, 40.0)])) == 1


def test_a_photo_without_it_stays_in_its_life() -> None:
    photos = [photo(3, sighting(0, 0)), photo(3.5), photo(4, sighting(1, 1))]
    (track,) = track_patches(photos)
    assert [event.sighting is not None for event in track.events] == [True, False, True]


def test_pieces_under_blades_are_one_patch_again() -> None:
    whole = photo(5, sighting(0, 0, 30.0, 0.95))
    pieces = photo(6, sighting(-8, 3, 8.0, 0.6), sighting(9, -2, 6.0, 0.4), sighting(90, 0, 6.0))
    tracks = track_patches([whole, pieces])
    assert [len(track.sightings) for track in tracks] == [2, 1]
    joined = tracks[0].last[1]
    assert joined.diameter_mm == pytest.approx(10.0)
    assert joined.x_mm == pytest.approx((64 * -8 + 36 * 9) / 100)
    assert joined.likelihood == 0.6
    # Their own relative uncertainties of 10 %, independent: areas add, so do their variances.
    expected = np.hypot(2 * 0.1 * 64, 2 * 0.1 * 36) / 100 / 2
    assert joined.diameter_uncertainty_mm / 10 == pytest.approx(expected)


def test_a_closing_canopy_does_not_make_a_patch_shrink() -> None:
    sightings = []
    for day, diameter, cover in ((4.0, 10.0, 0.2), (5.0, 22.0, 0.4), (6.0, 8.0, 0.95)):
        one = sighting(0, 0, diameter)
        sightings.append((replace(photo(day, one), cover=cover), one))
    covered = growth_rate(sightings)
    bare = growth_rate([(replace(where, cover=0.0), one) for where, one in sightings])
    assert covered is not None and bare is not None
    assert covered.mm_per_day > 3 > bare.mm_per_day
    assert hidden_shares(sightings) == pytest.approx([0, 0, 0.95 * (1 - (8 / 22) ** 2)])


def test_events_begin_with_the_first_sighting() -> None:
    (track,) = track_patches([photo(1), photo(2), photo(3, sighting(5, 5))])
    assert [event.photo.photo_id for event in track.events] == ["p3.000"]


patches = st.lists(
    st.tuples(st.floats(-200, 200), st.floats(-100, 100), st.floats(3, 30), st.floats(0, 1)),
    max_size=3,
)
series = st.lists(patches, min_size=1, max_size=6)


@given(series)
def test_order_and_repetition_of_photos_do_not_matter(
    drawn: list[list[tuple[float, float, float, float]]],
) -> None:
    photos = [
        photo(day / 2, *(PatchSighting(x, y, d, 1.0, p) for x, y, d, p in content))
        for day, content in enumerate(drawn)
    ]
    shuffled = [replace(one, patches=one.patches[::-1]) for one in photos]
    tracks = track_patches(photos)
    again = track_patches([*shuffled[::-1], *shuffled])
    assert [t.sightings for t in again] != [] or tracks == ()
    assert [[s for _, s in t.sightings] for t in again] == [
        [s for _, s in t.sightings] for t in tracks
    ]
    # Every candidate belongs to exactly one place: their areas are all there.
    area = sum(patch.diameter_mm**2 for one in photos for patch in one.patches)
    assert sum(s.diameter_mm**2 for t in tracks for _, s in t.sightings) == pytest.approx(area)


@given(series)
def test_a_later_photo_changes_no_earlier_place(
    drawn: list[list[tuple[float, float, float, float]]],
) -> None:
    photos = [
        photo(day / 2, *(PatchSighting(x, y, d, 1.0, p) for x, y, d, p in content))
        for day, content in enumerate(drawn)
    ]
    whole, before = track_patches(photos), track_patches(photos[:-1])
    for early, late in zip(before, whole, strict=False):
        assert late.events[: len(early.events)] == early.events


# Area pi (r t)² at r mm/d, growth rates as in J. Fungi 2023 9:294, Table 5.
@pytest.mark.parametrize("rate", [0.4, 1.8, 5.6, 8.93, 11.0, 16.3, 33.6])
def test_growth_rate_of_a_drawn_patch_within_5_percent(rate: float) -> None:
    sightings = []
    for hours in range(12, 61, 12):
        days = hours / 24
        area = pi * (rate * days) ** 2
        one = PatchSighting(0.0, 0.0, 2 * sqrt(area / pi), 0.5, 0.9)
        sightings.append((photo(3 + days, one), one))
    found = growth_rate(sightings)
    assert found is not None
    assert found.mm_per_day == pytest.approx(rate, rel=0.05)


def test_20_degrees_give_mucor_17_9_mm_in_2_days() -> None:
    mucor = next(one for one in PUBLISHED_ISOLATES if one.name.endswith("MZC-23"))
    assert 2 * mucor.radial_mm_per_day(20.0) == pytest.approx(17.9, abs=0.05)


# The rates at 15, 20 and 25 °C that follow from the table.
@pytest.mark.parametrize(
    ("isolate", "rates"),
    [
        ("MZC-17", (1.37, 2.90, 4.49)), ("MZC-18", (0.32, 2.41, 5.16)),
        ("MZC-23", (6.43, 8.93, 10.60)), ("MZC-1", (5.51, 7.75, 8.60)),
        ("MZC-21", (0.42, 1.19, 1.71)), ("MZC-2", (1.27, 1.96, 2.20)),
        ("MZC-10", (2.72, 7.70, 12.87)), ("MZC-4", (4.13, 12.44, 23.56)),
    ],
)  # fmt: skip
def test_rates_of_the_published_isolates(isolate: str, rates: tuple[float, ...]) -> None:
    one = next(one for one in PUBLISHED_ISOLATES if one.name.endswith(f" {isolate}"))
    found = [one.radial_mm_per_day(temperature) for temperature in (15.0, 20.0, 25.0)]
    assert found == pytest.approx(rates, abs=0.012)
    assert one.radial_mm_per_day(one.min_c) == 0.0 == one.radial_mm_per_day(50.0)


def test_isolates_are_those_of_the_table() -> None:
    rows = np.genfromtxt(TABLE, delimiter=",", names=True, dtype=None, encoding="utf-8")
    assert [
        (f"{row['species']} {row['isolate']}", row["a"], row["b"], row["T_min"], row["T_max"])
        + (row["max_rate_mm_per_day"],)
        for row in rows
    ] == [(i.name, i.a, i.b, i.min_c, i.max_c, i.max_mm_per_day) for i in PUBLISHED_ISOLATES]


def test_stated_uncertainty_of_growth_holds() -> None:
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(400):
        sightings = []
        for half_day in range(5):
            true = 10 + 2 * 3.0 * half_day / 2
            seen = true * (1 + 0.12 * rng.normal())
            one = PatchSighting(0.0, 0.0, max(seen, 1.0), 0.0, 0.9)
            sightings.append((photo(3 + half_day / 2, one), one))
        found = growth_rate(sightings)
        assert found is not None
        ratios.append((found.mm_per_day - 3.0) / found.uncertainty_mm_per_day)
    assert np.std(ratios) == pytest.approx(1.0, abs=0.15)


def test_growth_is_no_surer_than_the_outlines_it_is_told_from() -> None:
    # 25 mm, known to 4 mm each time, and ragged by 12 % of them, 3 mm: by Pythagoras 5 mm of
    # diameter, 2.5 mm of radius, and root two times that for the change over one day.
    seen = [replace(sighting(0, 0, 25.0), diameter_uncertainty_mm=4.0)] * 2
    found = growth_rate([(photo(3 + day, one), one) for day, one in enumerate(seen)])
    assert found is not None
    assert found.mm_per_day == pytest.approx(0.0, abs=1e-12)
    assert found.uncertainty_mm_per_day == pytest.approx(2.5 * sqrt(2.0))


def test_one_moment_gives_no_growth() -> None:
    one = sighting(0, 0)
    assert growth_rate([(photo(3, one), one)]) is None
    assert growth_rate([(photo(3, one), one), (photo(3, one), one)]) is None
    assert growth_evidence(None, other_spread_mm_per_day=1.0) == 0.0


@given(st.floats(-40, 40), st.floats(0, 30), st.floats(0.2, 20), st.floats(0, 5), st.floats(8, 30))
def test_faster_growth_never_speaks_against_mould(
    rate: float, more: float, uncertainty: float, spread: float, temperature: float
) -> None:
    slow, fast = (
        growth_evidence(
            GrowthRate(value, uncertainty),
            other_spread_mm_per_day=spread,
            temperature_c=temperature,
        )
        for value in (rate, rate + more)
    )
    assert fast >= slow - 1e-9


# Wald's identity for any likelihood ratio: its mean is 1 where the null hypothesis holds, here by
# the trapezoidal rule over all rates. What is cut off above 8 nats is missing from it.
@pytest.mark.parametrize("temperature_c", [12.0, 19.0])
def test_growth_evidence_is_a_likelihood_ratio(temperature_c: float) -> None:
    spread = float(np.hypot(3.0, 0.7))
    rates = np.linspace(-8.0, 8.0, 801) * spread
    ratios = [
        np.exp(
            growth_evidence(
                GrowthRate(float(rate), 3.0),
                other_spread_mm_per_day=0.7,
                temperature_c=temperature_c,
            )
        )
        for rate in rates
    ]
    density = np.exp(-((rates / spread) ** 2) / 2) / (spread * sqrt(2 * pi))
    mean = float(np.trapezoid(ratios * density, rates))
    # The fastest isolate is one of sixteen, of which three quarters grow: all that it may take.
    assert 1 - 0.75 / 16 <= mean <= 1.0 + 1e-6


def test_mould_that_stands_still_is_not_cleared() -> None:
    # Of no growth at all, known well, nothing is left but the share of mould that has stopped.
    stopped = growth_evidence(GrowthRate(0.0, 0.05), other_spread_mm_per_day=0.0)
    assert stopped == pytest.approx(np.log(0.25), abs=1e-3)


def test_growth_alone_never_settles_it() -> None:
    # However fast: what wanders through a photo may seem to grow at any pace.
    assert growth_evidence(GrowthRate(90.0, 0.5), other_spread_mm_per_day=0.7) == 8.0


def test_a_measured_patch_becomes_a_sighting() -> None:
    patch = MouldPatch(
        12.0, -40.5, 180.0, 24.0, 150.0, 2 * sqrt(180 / pi), np.zeros((3, 2)), "dark", 0.6, ()
    )
    found = PatchSighting.of(patch)
    assert (found.x_mm, found.y_mm, found.look, found.likelihood) == (12.0, -40.5, "dark", 0.6)
    # u(d) / d = u(A) / (2 A), since d goes with the root of A.
    assert found.diameter_uncertainty_mm / found.diameter_mm == pytest.approx(24 / 180 / 2)


@given(st.floats(0, 1), st.floats(0, 1), st.floats(1, 40), st.floats(0, 40))
def test_larger_patches_are_shown_more_surely(
    seen: float, cover: float, diameter: float, more: float
) -> None:
    one = TrayPhoto("a", START, seen=seen, cover=cover, smallest_patch_mm=6.0)
    assert 0 <= one.could_show(diameter) <= one.could_show(diameter + more) <= 1
    assert replace(one, smallest_patch_mm=None).could_show(diameter) == 0


def test_blades_that_leave_less_than_the_smallest_patch_hide_it() -> None:
    # Under a cover of 0.51, 10 mm leave open what a circle of 7 mm has: as likely seen as not
    # where 7 mm are the smallest patch that the photo shows.
    under = TrayPhoto("a", START, cover=0.51, smallest_patch_mm=7.0)
    assert under.could_show(10.0) == pytest.approx(0.5)
    assert replace(under, seen=0.6).could_show(10.0) == pytest.approx(0.3)


# How often a patch that one photo called mould was seen in a later one, by cover, measured over 800
# rendered series: 0.95 where blades hide nothing.
@pytest.mark.parametrize(("cover", "seen_again"), [(0.4, 0.95), (0.65, 0.90), (0.75, 0.71),
                                                   (0.88, 0.58)])  # fmt: skip
def test_a_large_patch_is_seen_again_as_often_as_in_rendered_series(
    cover: float, seen_again: float
) -> None:
    one = TrayPhoto("a", START, cover=cover, smallest_patch_mm=2.0)
    assert one.could_show(60.0) == pytest.approx(seen_again / 0.95, abs=0.05)


def test_wrong_calls_are_named() -> None:
    with pytest.raises(ValueError, match=r"likelihood must lie from 0 to 1, got 1\.2"):
        sighting(0, 0, 8.0, 1.2)
    with pytest.raises(ValueError, match="diameter_mm must be positive"):
        sighting(0, 0, 0.0)
    with pytest.raises(ValueError, match="x_mm must be finite, got nan"):
        sighting(float("nan"), 0)
    with pytest.raises(ValueError, match="taken_at must have a time zone"):
        TrayPhoto("a", datetime(2026, 3, 2))  # noqa: DTZ001
    with pytest.raises(ValueError, match=r"seen must lie from 0 to 1, got 1\.1"):
        TrayPhoto("a", START, seen=1.1)
    with pytest.raises(ValueError, match="position_uncertainty_mm must be positive, got 0"):
        TrayPhoto("a", START, position_uncertainty_mm=0.0)
    with pytest.raises(ValueError, match=r"photo_id must name one photo, got two for 'p3\.000'"):
        track_patches([photo(3, sighting(0, 0)), photo(3, sighting(1, 0))])
