"""What the photos of one followed patch say together: by their looks, and by what hides it."""

from datetime import UTC, datetime, timedelta
from math import log

import numpy as np
import pytest

from trayvision.synthetic.mould import MouldHabits
from trayvision.warning.patch_evidence import PatchContext, PatchEvidence, patch_evidence
from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto
from trayvision.warning.patch_tracking import track_patches

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def photo(day: float, diameter: float, likelihood: float, *, cover: float = 0.0) -> TrayPhoto:
    patch = PatchSighting(-170.0, 55.0, diameter, 0.1 * diameter, likelihood)
    return TrayPhoto(f"p{day:.3f}", START + timedelta(days=day), (patch,), cover=cover)


def evidence(*photos: TrayPhoto) -> PatchEvidence:
    (track,) = track_patches(photos)
    days = {one.photo_id: (one.taken_at - START).total_seconds() / 86400 for one in photos}
    return patch_evidence(track, PatchContext(days=days))


def told(likelihood: float) -> float:
    """Log likelihood ratio of one photo: its log odds less those of 108 in 165."""
    return log(likelihood / (1 - likelihood)) - log(108 / 57)


# Half as wide as it was, a patch shows a quarter of its area; of the rest, blades may hide as much
# as they cover of the tray. So the second photo counts for 1, for 0.4 and for 0.25 of one.
@pytest.mark.parametrize(("cover", "counts"), [(0.0, 1.0), (0.8, 0.4), (1.0, 0.25)])
def test_a_photo_counts_for_what_it_can_show_of_a_patch(cover: float, counts: float) -> None:
    found = evidence(photo(5.0, 20.0, 0.97), photo(6.0, 10.0, 0.3, cover=cover))
    assert found.since.photo_id == "p5.000"
    mean = (told(0.97) + counts * told(0.3)) / (1 + counts)
    # Kish's design effect of readings with a correlation of 0.4.
    worth = (1 + counts) / (1 + 0.4 * counts)
    assert found.appearance == pytest.approx(worth * mean, rel=1e-6)


def test_many_photos_of_one_thing_convince_as_far_as_they_are_alike() -> None:
    # What looks like mould once does so again. Eight photos of one drawn candidate are worth as
    # many independent ones as the variance of one is of that of their mean: no more must be
    # claimed, and not much less.
    habits, rng = MouldHabits(), np.random.default_rng(8)
    logits = habits.offset_spread * rng.standard_normal((20_000, 1))
    logits = logits + habits.photo_spread * rng.standard_normal((20_000, 8))
    worth = logits.var() / logits.mean(axis=1).var()
    once = evidence(photo(5.0, 8.0, 0.8))
    again = evidence(*(photo(5.0 + n / 2, 8.0, 0.8) for n in range(8)))
    assert once.since.photo_id == again.since.photo_id
    claimed = again.appearance / once.appearance
    assert 0.85 * worth < claimed < 1.05 * worth


def test_no_photo_alone_settles_it() -> None:
    # A likelihood of 1 would be evidence without end: more than 66 to 1 is believed of no photo.
    sure = evidence(photo(5.0, 8.0, 0.985))
    surest = evidence(photo(5.0, 8.0, 1.0))
    assert surest.appearance == pytest.approx(sure.appearance)
    assert evidence(photo(5.0, 8.0, 0.97)).appearance < sure.appearance
    assert evidence(photo(5.0, 8.0, 0.0)).appearance == pytest.approx(
        evidence(photo(5.0, 8.0, 0.015)).appearance
    )
