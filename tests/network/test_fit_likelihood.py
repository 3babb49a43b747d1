"""The fit behind the likelihood of a patch: closed form, and the candidates that users see."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trayvision.accuracy.scores import inspect_with_truth
from trayvision.accuracy.truth import find_photos
from trayvision.measures.mould_likelihood import PatchTerms
from trayvision.network.fit_likelihood import (
    JudgedTray,
    cross_validated,
    fit,
    judge_tray,
    report,
)

PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"


@settings(max_examples=20)
@given(st.floats(0.1, 0.9), st.floats(0.1, 0.9), st.floats(-3, 3))
def test_two_groups_are_told_apart_by_their_log_odds(low: float, high: float, at: float) -> None:
    # One term of two values: logistic regression gives each group its own share, exactly; the
    # penalty hardly counts against so many patches.
    count = 20_000
    term = np.repeat([at, at + 1], count)
    shares = low, high
    hits = [np.arange(count) < round(share * count) for share in shares]
    intercept, weights = fit(term[:, None], np.concatenate(hits))
    told = [1 / (1 + np.exp(-(intercept + weights[0] * value))) for value in (at, at + 1)]
    assert told == pytest.approx(list(shares), abs=5e-3)


def test_learns_from_the_candidates_that_an_inspection_reports() -> None:
    truths = {truth.photo.stem: truth for truth in find_photos(PHOTOS)}
    truth = truths["day8-wheat-black-mould-50mm-phone"]
    judged = judge_tray(truth)
    assert judged is not None
    reported = inspect_with_truth(truth).trays[0].mould.patches
    assert sorted(judged.likelihoods) == pytest.approx(sorted(p.likelihood for p in reported))
    assert judged.wanted == tuple(patch.counts for patch in truth.patches)
    assert any(judged.hit)
    # Pink light: no patch is called mould there, so none is learnt from.
    assert judge_tray(truths["day4-wheat-pink-grow-light-fixed"]) is None


def invented_trays(rng: np.random.Generator) -> list[JudgedTray]:
    trays = []
    for seed in range(30):
        terms = tuple(PatchTerms(*rng.normal(size=6)) for _ in range(int(rng.integers(0, 4))))
        hit = tuple((0,) if each.share + rng.normal() > 0 else () for each in terms)
        trays.append(JudgedTray(seed // 2, terms, hit, (True,), tuple(0.5 for _ in terms)))
    return trays


@settings(max_examples=10)
@given(st.integers(0, 1000), st.integers(0, 29))
def test_every_tray_is_told_by_a_fit_that_has_not_seen_it(seed: int, chosen: int) -> None:
    trays = invented_trays(np.random.default_rng(seed))
    told = cross_validated(trays)
    # Were it learnt from, the opposite truth would tell it otherwise; the other photo of the
    # same tray is not learnt from either.
    for index in (chosen, chosen ^ 1):
        wrong = tuple(() if hit else (0,) for hit in trays[index].hit)
        changed = [*trays[:index], replace(trays[index], hit=wrong), *trays[index + 1 :]]
        assert cross_validated(changed)[chosen] == told[chosen]
    pooled = np.array([each for of_tray in told for each in of_tray])
    mould = np.array([bool(hit) for tray in trays for hit in tray.hit])
    assert pooled[mould].mean() > pooled[~mould].mean()


def test_a_report_counts_what_is_found_and_what_is_flagged() -> None:
    terms = PatchTerms(0, 0, 0, 0, 0, 0)
    trays = [
        JudgedTray(1, (terms, terms), ((0,), ()), (True, True), (0.9, 0.2)),
        JudgedTray(2, (terms,), ((),), (), (0.6,)),
        JudgedTray(3, (), (), (), ()),
    ]
    lines = report(trays, [tray.likelihoods for tray in trays])
    assert lines[0].startswith("area under the ROC curve 1.000")
    assert lines[1] == "patches of the goal found 1 of 2, clean photos flagged 1 of 2"
    assert "told 0.9 to 1.0: 1 patches, 1.00 of them mould" in lines
