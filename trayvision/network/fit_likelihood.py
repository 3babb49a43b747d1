"""Fit the likelihood of a patch (`trayvision.measures.mould_likelihood`) on trays with truth files.

    python -m trayvision.network.fit_likelihood FOLDER...

Prints the weights, and how well they tell mould on trays that a fit has not seen: the trays are
dealt into ten parts, and each is judged by a fit on the others. The networks must not have learnt
from these trays. Trays under coloured light, where no patch is called mould, teach nothing.
"""

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.stats import mannwhitneyu

from trayvision.accuracy.scores import CALLED_MOULD, hits, inspect_with_truth
from trayvision.accuracy.truth import PhotoTruth, find_photos
from trayvision.measures.mould import candidate_patches, centre_mm
from trayvision.measures.mould_likelihood import PatchTerms, patch_likelihood, patch_terms
from trayvision.quality_flags import PhotoProblem

FloatArray = npt.NDArray[np.float64]

_PARTS = 10
# L2 penalty, as the inverse of its weight in scaled terms: chosen by hand.
_INVERSE_PENALTY = 0.1
_BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True)
class JudgedTray:
    """The candidates of one tray.

    Parameters
    ----------
    tray_seed : int or None
        The same for all photos of a tray.
    terms : tuple of PatchTerms
        One for each candidate.
    hit : tuple of tuple of int
        Which true patches' places each candidate's centre is in; none for a false one.
    wanted : tuple of bool
        Of each true patch, whether the goal asks for it.
    likelihoods : tuple of float
        What is said of each candidate now, day of growth left aside.
    """

    tray_seed: int | None
    terms: tuple[PatchTerms, ...]
    hit: tuple[tuple[int, ...], ...]
    wanted: tuple[bool, ...]
    likelihoods: tuple[float, ...]


def judge_tray(truth: PhotoTruth) -> JudgedTray | None:
    """Candidates of one photo's tray; None where it gives none or its light is coloured."""
    try:
        inspection = inspect_with_truth(truth)
    except PhotoProblem:
        return None
    trays = [tray for tray in inspection.trays if tray.number == truth.tray_number]
    if not trays or trays[0].light.coloured:
        return None
    plan = trays[0].plan
    terms, hit = [], []
    for candidate in candidate_patches(plan):
        x_mm, y_mm = centre_mm(plan, candidate.mask)
        terms.append(patch_terms(plan, candidate.mask, candidate.visible, candidate.peak))
        at = {"x_mm": x_mm, "y_mm": y_mm}
        hit.append(tuple(i for i, patch in enumerate(truth.patches) if hits(patch, at)))
    return JudgedTray(
        truth.tray_seed,
        tuple(terms),
        tuple(hit),
        tuple(patch.counts for patch in truth.patches),
        tuple(patch_likelihood(each, day=None) for each in terms),
    )


def fit(terms: FloatArray, is_mould: npt.NDArray[np.bool_]) -> tuple[float, FloatArray]:
    """Logistic regression with an L2 penalty on the weights of scaled terms.

    Parameters
    ----------
    terms : (n, k) float array
    is_mould : (n,) bool array

    Returns
    -------
    intercept : float
    weights : (k,) float array
    """
    middle, spread = terms.mean(axis=0), terms.std(axis=0) + 1e-9
    scaled = (terms - middle) / spread
    sign = np.where(is_mould, 1.0, -1.0)

    def loss(parameters: FloatArray) -> tuple[float, FloatArray]:
        score = parameters[0] + scaled @ parameters[1:]
        slope = -sign / (1 + np.exp(sign * score))
        total = np.logaddexp(0, -sign * score).sum()
        total += (parameters[1:] ** 2).sum() / 2 / _INVERSE_PENALTY
        gradient = scaled.T @ slope + parameters[1:] / _INVERSE_PENALTY
        return float(total), np.concatenate([[slope.sum()], gradient])

    found = minimize(loss, np.zeros(1 + terms.shape[1]), jac=True).x
    weights = found[1:] / spread
    return float(found[0] - weights @ middle), weights


def cross_validated(trays: Sequence[JudgedTray]) -> list[tuple[float, ...]]:
    """Likelihoods of each tray's candidates by a fit on trays of other seeds."""
    seeds = sorted({tray.tray_seed or 0 for tray in trays})
    part_of = {seed: index % _PARTS for index, seed in enumerate(seeds)}
    parts = np.array([part_of[tray.tray_seed or 0] for tray in trays])
    told: list[tuple[float, ...]] = [()] * len(trays)
    for part in range(_PARTS):
        others = [tray for tray, its in zip(trays, parts, strict=True) if its != part]
        intercept, weights = fit(*_pooled(others))
        for index in np.nonzero(parts == part)[0].tolist():
            scores = [intercept + weights @ np.array(terms) for terms in trays[index].terms]
            told[index] = tuple(float(1 / (1 + np.exp(-score))) for score in scores)
    return told


def _pooled(trays: Sequence[JudgedTray]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    terms = np.array([terms for tray in trays for terms in tray.terms], dtype=np.float64)
    return terms, np.array([bool(hit) for tray in trays for hit in tray.hit])


def report(trays: Sequence[JudgedTray], told: Sequence[tuple[float, ...]]) -> list[str]:
    """Lines about likelihoods told of trays' candidates."""
    likelihood = np.array([each for of_tray in told for each in of_tray])
    _, is_mould = _pooled(trays)
    area = float("nan")
    if is_mould.any() and not is_mould.all():
        area = mannwhitneyu(likelihood[is_mould], likelihood[~is_mould]).statistic
        area /= is_mould.sum() * (~is_mould).sum()
    kept = np.clip(likelihood, 1e-6, 1 - 1e-6)
    loss = -np.log(np.where(is_mould, kept, 1 - kept)).mean()
    wanted = found = clean = flagged = 0
    for tray, of_tray in zip(trays, told, strict=True):
        called = [hit for hit, each in zip(tray.hit, of_tray, strict=True) if each >= CALLED_MOULD]
        places = {place for hit in called for place in hit}
        wanted += sum(tray.wanted)
        found += sum(tray.wanted[place] for place in places)
        clean += not tray.wanted
        flagged += bool(called) and not tray.wanted
    lines = [
        f"area under the ROC curve {area:.3f}, logarithmic loss {loss:.3f}",
        f"patches of the goal found {found} of {wanted}, clean photos flagged {flagged} of {clean}",
    ]
    for low, high in pairwise(_BINS):
        within = (likelihood >= low) & (likelihood < high)
        share = is_mould[within].mean() if within.any() else float("nan")
        lines.append(f"told {low} to {high}: {within.sum()} patches, {share:.2f} of them mould")
    return lines


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    folders = parser.parse_args().folders
    truths = [truth for folder in folders for truth in find_photos(folder)]
    with ProcessPoolExecutor(
        mp_context=get_context("spawn"), initializer=cv2.setNumThreads, initargs=(1,)
    ) as pool:
        trays = [tray for tray in pool.map(judge_tray, truths) if tray is not None]
    terms, is_mould = _pooled(trays)
    print(f"{len(trays)} trays, {len(terms)} candidates, {is_mould.sum()} of them mould")
    print("as it is now:", *report(trays, [tray.likelihoods for tray in trays]), sep="\n  ")
    print("fitted anew, on other trays:", *report(trays, cross_validated(trays)), sep="\n  ")
    intercept, weights = fit(terms, is_mould)
    print("fitted on all:", f"intercept {intercept:.2f}", PatchTerms(*weights.round(2).tolist()))


if __name__ == "__main__":
    main()
