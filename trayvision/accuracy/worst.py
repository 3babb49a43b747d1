"""The cases that most deserve a look, worst first."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trayvision.accuracy.scores import PhotoScore

_SHOWN_PER_KIND = 5


@dataclass(frozen=True)
class Case:
    """One photo, and in words what went wrong or least well in it."""

    score: PhotoScore
    kind: str
    what: str


def worst_cases(scores: Sequence[PhotoScore]) -> list[Case]:
    """Refusals, wrong numbers, missed and false mould; then the largest errors of each measure."""
    return [
        *_failures(scores),
        *_mould(scores),
        *_largest("cover", [(abs(s.cover.error), s, _cover(s)) for s in scores if s.cover]),
        *_largest("height", [(abs(s.height.error), s, _height(s)) for s in scores if s.height]),
        *_largest(
            "shoot pixels",
            [
                (1 - s.shoot_iou, s, f"IoU {s.shoot_iou:.3f}, true cover {s.truth.cover:.3f}")
                for s in scores
                if s.shoot_iou is not None and s.shoot_union_px > 0
            ],
        ),
        *_largest("tag corners", [_corners(s) for s in scores if s.corner_errors_px]),
    ]


def _failures(scores: Sequence[PhotoScore]) -> list[Case]:
    cases = []
    for score in scores:
        readable = score.truth.readable_tags
        if score.wrong_numbers:
            words = f"{score.wrong_numbers} tray(s) under a number that is not in the photo"
            cases.append(Case(score, "wrong number", words))
        if not score.found:
            words = f"tray {score.truth.tray_number}, {readable} readable tags: {score.problem}"
            cases.append(Case(score, "not found", words))
        missed = set(score.truth.others) - set(score.others_found)
        for other in sorted(missed, key=lambda tray: tray.number):
            if other.readable_tags >= 2:
                words = f"second tray {other.number}, {other.readable_tags} readable tags"
                cases.append(Case(score, "not found", words))
    return cases


def _mould(scores: Sequence[PhotoScore]) -> list[Case]:
    cases = []
    for score in scores:
        for patch in score.patches:
            if patch.counts and not patch.found:
                true = patch.patch
                words = (
                    f"{true.kind} {true.diameter_mm:.0f} mm ({true.diameter_px:.0f} px), "
                    f"{true.visible_share:.0%} in sight, at ({true.x_mm:.0f}, {true.y_mm:.0f}) mm"
                )
                cases.append(Case(score, "mould missed", words))
    for score in sorted(scores, key=lambda s: -s.false_patches):
        if score.false_patches:
            of = "with mould elsewhere" if score.truth.patches else "clean"
            cases.append(Case(score, "false mould", f"{score.false_patches} patch(es), tray {of}"))
    return cases


def _largest(kind: str, ranked: list[tuple[float, PhotoScore, str]]) -> list[Case]:
    ranked.sort(key=lambda entry: (-entry[0], entry[1].name))
    return [Case(score, kind, words) for size, score, words in ranked[:_SHOWN_PER_KIND] if size > 0]


def _cover(score: PhotoScore) -> str:
    assert score.cover is not None
    value = score.cover
    stated = "none stated" if value.uncertainty is None else f"{value.uncertainty:.3f}"
    return f"{value.value:.3f} for {value.truth_low:.3f}, error {value.error:+.3f}, u {stated}"


def _height(score: PhotoScore) -> str:
    assert score.height is not None
    value = score.height
    stated = "none stated" if value.uncertainty is None else f"{value.uncertainty:.1f}"
    band = f"{value.truth_low:.0f} to {value.truth_high:.0f} mm"
    return f"{value.value:.1f} mm for {band}, outside by {abs(value.error):.1f}, u {stated}"


def _corners(score: PhotoScore) -> tuple[float, PhotoScore, str]:
    rms = float(np.sqrt(np.mean(np.square(score.corner_errors_px))))
    largest = max(score.corner_errors_px)
    return rms, score, f"rms {rms:.2f} px, largest {largest:.2f} px"
