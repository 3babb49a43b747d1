"""The fit behind the likelihood of a patch: closed form, and the candidates that users see."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.accuracy.scores import inspect_with_truth
from trayvision.accuracy.truth import find_photos
from trayvision.network.fit_likelihood import cross_validated, fit, judge_tray, report

PHOTOS = Path(__file__).parents[1] / "sample_images" / "photos"


@given(st.floats(0.1, 0.9), st.floats(0.1, 0.9), st.floats(-3, 3))
def test_two_groups_are_told_apart_by_their_log_odds(low: float, high: float, at: float) -> None:
    # One term of two values: logistic regression gives each group its own share, exactly; the
    # penalty hardly counts against so many patches.
    count = 400_000
    term = np.repeat([at, at + 1], count)
    shares = low, high
    hits = [np.arange(count) < round(share * count) for share in shares]
    intercept, weights = fit(term[:, None], np.concatenate(hits))
    told = [1 / (1 + np.exp(-(intercept + weights[0] * value))) for value in (at, at + 1)]
    assert told == pytest.approx(list(shares), abs=2e-3)


def test_learns_from_the_candidates_that_an_inspection_reports() -> None:
    truths = {truth.photo.stem: truth for truth in find_photos(PHOTOS)}
    names = ("day5-barley-grey-green-mould-45mm-phone", "day3-wheat-black-mould-20mm-fixed")
    for name in names:
        judged = judge_tray(truths[name])
        assert judged is not None
        reported = inspect_with_truth(truths[name]).trays[0].mould.patches
        told = sorted(patch.likelihood for patch in reported)
        assert sorted(judged.likelihoods) == pytest.approx(told)
        assert judged.terms
    # Pink light: no patch is called mould there, so none is learnt from.
    assert judge_tray(truths["day4-wheat-pink-grow-light-fixed"]) is None


def test_every_tray_is_told_by_a_fit_on_others() -> None:
    truths = [truth for truth in find_photos(PHOTOS) if truth.patches][:12]
    trays = [tray for truth in truths if (tray := judge_tray(truth)) is not None]
    told = cross_validated(trays)
    assert [len(each) for each in told] == [len(tray.terms) for tray in trays]
    assert any(line.startswith("patches of the goal found") for line in report(trays, told))
