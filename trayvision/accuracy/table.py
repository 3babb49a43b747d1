"""The accuracy table: every goal, and what the scored photos reach of it."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations, groupby

import numpy as np
import numpy.typing as npt
from skimage.color import deltaE_ciede2000

from trayvision.accuracy.scores import Candidate, ComparedValue, PhotoScore

_COLOURED_LIGHT = "grow"
_SERIES_DAYS = 3
_WARNED_BY_MM = 10.0


@dataclass(frozen=True)
class Goal:
    """One line of the table.

    Parameters
    ----------
    what, limit : str
        The quantity and its goal in words.
    reached : str
        What was reached, with counts; why not, where no photo could tell.
    met : bool or None
        None when no photo of the folder could tell.
    error_share : float or None
        The error as a share of the error that the goal allows; at most 1 when met.
    """

    what: str
    limit: str
    reached: str
    met: bool | None
    error_share: float | None

    @classmethod
    def untold(cls, what: str, limit: str, why: str) -> "Goal":
        """A line that no photo of the folder could tell."""
        return cls(what, limit, why, None, None)


def accuracy_table(scores: Sequence[PhotoScore]) -> tuple[Goal, ...]:
    """Every line of the accuracy table over the photos of one folder."""
    return (
        _identified(scores),
        _wrong_numbers(scores),
        _tag_corners(scores),
        _cover_error(scores),
        _cover_intervals(scores),
        _cover_uncertainty(scores),
        _shoot_pixels(scores),
        _height_mean(scores),
        _height_worst(scores),
        _height_given(scores),
        _colour_under_lights(scores),
        _mould_found(scores),
        _false_patches(scores),
        _warned_in_series(scores),
        _quiet_in_clean_series(scores),
    )


def _identified(scores: Sequence[PhotoScore]) -> Goal:
    what, limit = "trays identified, two tags or more readable", "all"
    readable = [score.found for score in scores if score.truth.readable_tags >= 2]
    readable += [
        other in score.others_found
        for score in scores
        for other in score.truth.others
        if other.readable_tags >= 2
    ]
    if not readable:
        return Goal.untold(what, limit, "no photo with two readable tags")
    missed = len(readable) - sum(readable)
    return Goal(what, limit, f"{sum(readable)} of {len(readable)}", missed == 0, _none(missed))


def _wrong_numbers(scores: Sequence[PhotoScore]) -> Goal:
    wrong = sum(score.wrong_numbers for score in scores)
    return Goal("wrong tray numbers", "none", f"{wrong}", wrong == 0, _none(wrong))


def _none(count: int) -> float:
    """Share of an allowance of nothing: 0 when kept, beyond the goal when not."""
    return 0.0 if count == 0 else 1.0 + count


def _below(what: str, values: npt.ArrayLike, limit: float, unit: str, *, how: str) -> Goal:
    """A goal on the mean, root mean square or largest of some errors."""
    errors = np.asarray(values, dtype=np.float64)
    words = f"below {limit:g}{unit}"
    if errors.size == 0:
        return Goal.untold(what, words, "no photo tells")
    statistic: dict[str, Callable[[npt.NDArray[np.float64]], float]] = {
        "mean": lambda e: float(np.mean(e)),
        "rms": lambda e: float(np.sqrt(np.mean(e**2))),
        "largest": lambda e: float(np.max(e)),
    }
    reached = statistic[how](errors)
    return Goal(
        what, words, f"{reached:.3g}{unit} (n = {errors.size})", reached < limit, reached / limit
    )


def _at_least(what: str, held: int, of: int, limit: float) -> Goal:
    words = f"at least {limit:.0%}"
    if of == 0:
        return Goal.untold(what, words, "no photo tells")
    share = held / of
    return Goal(
        what, words, f"{share:.1%} ({held} of {of})", held >= limit * of, (1 - share) / (1 - limit)
    )


def _tag_corners(scores: Sequence[PhotoScore]) -> Goal:
    errors = [error for score in scores for error in score.corner_errors_px]
    return _below("tag corners, tags of 35 px and more, rms", errors, 0.3, " px", how="rms")


def compared(scores: Iterable[PhotoScore], measure: str) -> list[ComparedValue]:
    """All comparisons of ``"cover"`` or ``"height"`` that the photos gave."""
    values = (getattr(score, measure) for score in scores)
    return [value for value in values if value is not None]


def _cover_error(scores: Sequence[PhotoScore]) -> Goal:
    errors = [abs(value.error) for value in compared(scores, "cover")]
    return _below("cover, mean absolute error", errors, 0.015, "", how="mean")


def _cover_intervals(scores: Sequence[PhotoScore]) -> Goal:
    held = [value.within_interval for value in compared(scores, "cover")]
    stated = [inside for inside in held if inside is not None]
    return _at_least("cover, 95 % interval holds the truth", sum(stated), len(stated), 0.90)


def _cover_uncertainty(scores: Sequence[PhotoScore]) -> Goal:
    stated = [value.uncertainty for value in compared(scores, "cover")]
    widths = [width for width in stated if width is not None]
    return _below("cover, mean stated uncertainty", widths, 0.02, "", how="mean")


def _shoot_pixels(scores: Sequence[PhotoScore]) -> Goal:
    what, limit = "shoot pixels, intersection over union, pooled", "above 0.92"
    masks = [score for score in scores if score.shoot_overlap_px is not None]
    union = sum(score.shoot_union_px for score in masks)
    if union == 0:
        return Goal.untold(what, limit, "no photo tells")
    iou = sum(score.shoot_overlap_px or 0 for score in masks) / union
    return Goal(what, limit, f"{iou:.3f} (n = {len(masks)})", iou > 0.92, (1 - iou) / 0.08)


def _height_mean(scores: Sequence[PhotoScore]) -> Goal:
    errors = [abs(value.error) for value in compared(scores, "height")]
    return _below("height outside the band at the strip, mean", errors, 3.0, " mm", how="mean")


def _height_worst(scores: Sequence[PhotoScore]) -> Goal:
    errors = [abs(value.error) for value in compared(scores, "height")]
    what = "height outside the band at the strip, largest"
    return _below(what, errors, 10.0, " mm", how="largest")


def _height_given(scores: Sequence[PhotoScore]) -> Goal:
    given = len(compared(scores, "height"))
    strips = sum(score.truth.height_band_mm is not None for score in scores)
    return _at_least("photos with a strip that give a height", given, strips, 0.80)


def colour_differences(scores: Sequence[PhotoScore]) -> list[tuple[str, str, float]]:
    """CIEDE2000 between shoot medians of one tray at one time under two white lights each."""
    told = [
        s for s in scores if s.lab is not None and not s.truth.light.startswith(_COLOURED_LIGHT)
    ]
    told.sort(key=lambda score: (score.truth.scene, score.name))
    return [
        (one.name, other.name, float(deltaE_ciede2000(np.array(one.lab), np.array(other.lab))))
        for _, group in groupby(told, key=lambda score: score.truth.scene)
        for one, other in combinations(group, 2)
        if one.truth.light != other.truth.light
    ]


def _colour_under_lights(scores: Sequence[PhotoScore]) -> Goal:
    differences = [difference for _, _, difference in colour_differences(scores)]
    what = "colour of one tray under different white lights, ΔE2000, largest"
    return _below(what, differences, 3.0, "", how="largest")


def _mould_found(scores: Sequence[PhotoScore]) -> Goal:
    asked = [patch.found for score in scores for patch in score.patches if patch.counts]
    what = "mould of 8 mm and 16 px or more, a quarter in sight, found"
    return _at_least(what, sum(asked), len(asked), 0.95)


def _false_patches(scores: Sequence[PhotoScore]) -> Goal:
    what, limit = "clean photos with a false patch", "at most 1 in 50"
    clean = [score for score in scores if score.found and not score.truth.patches]
    if not clean:
        return Goal.untold(what, limit, "no clean photo")
    hairy = [score for score in clean if score.truth.root_hairs]
    flagged, hairy_flagged = (sum(s.false_patches > 0 for s in some) for some in (clean, hairy))
    return Goal(
        what,
        limit,
        f"{flagged} of {len(clean)} (with root hairs {hairy_flagged} of {len(hairy)})",
        flagged <= len(clean) / 50,
        flagged / (len(clean) / 50),
    )


def series(scores: Sequence[PhotoScore]) -> list[list[PhotoScore]]:
    """Photos of one tray on at least three days, in order of age."""
    known = [score for score in scores if score.truth.tray_seed is not None]
    known.sort(key=lambda s: (s.truth.tray_seed or 0, s.truth.tray_number, s.truth.day, s.name))
    runs = [
        list(group)
        for _, group in groupby(known, key=lambda s: (s.truth.tray_seed, s.truth.tray_number))
    ]
    return [run for run in runs if len({score.truth.day for score in run}) >= _SERIES_DAYS]


def largest_patch_mm(score: PhotoScore) -> float:
    """Equivalent diameter of the largest true patch; 0 on a clean tray."""
    return max((patch.diameter_mm for patch in score.truth.patches), default=0.0)


def warned_in_time(run: Sequence[PhotoScore]) -> bool | None:
    """Whether mould was called no later than the photo in which it passes 10 mm.

    None when the true mould of this run never passes 10 mm.
    """
    past = [place for place, score in enumerate(run) if largest_patch_mm(score) > _WARNED_BY_MM]
    if not past:
        return None
    return any(patch.found for score in run[: past[0] + 1] for patch in score.patches)


def _warned_in_series(scores: Sequence[PhotoScore]) -> Goal:
    told = [warned for run in series(scores) if (warned := warned_in_time(run)) is not None]
    what, limit = "series with mould, flagged by the photo in which it passes 10 mm", "all"
    if not told:
        return Goal.untold(what, limit, "no series whose mould passes 10 mm")
    late = len(told) - sum(told)
    return Goal(what, limit, f"{sum(told)} of {len(told)}", late == 0, _none(late))


def _quiet_in_clean_series(scores: Sequence[PhotoScore]) -> Goal:
    clean = [run for run in series(scores) if not any(score.truth.patches for score in run)]
    what, limit = "clean series with a flag", "none"
    if not clean:
        return Goal.untold(what, limit, "no clean series")
    flagged = sum(any(score.false_patches for score in run) for run in clean)
    return Goal(what, limit, f"{flagged} of {len(clean)}", flagged == 0, _none(flagged))


def brier_score(candidates: Sequence[Candidate]) -> float | None:
    """Mean squared difference of likelihood and outcome (Brier 1950); None without any."""
    if not candidates:
        return None
    return float(np.mean([(c.likelihood - c.is_mould) ** 2 for c in candidates]))
