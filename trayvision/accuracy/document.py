"""The accuracy report as Markdown for people and JSON for scripts."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from trayvision.accuracy.scores import ComparedValue, PhotoScore
from trayvision.accuracy.table import Goal, brier_score
from trayvision.accuracy.worst import Case

_NOT_HERE = (
    "Real photographs (top views of other crops, mould on leaves and kernels) are not part of "
    "these folders; what rendered photos say about real trays is limited."
)


@dataclass(frozen=True)
class FolderResult:
    """All that the report says of one folder of photos."""

    folder: Path
    scores: tuple[PhotoScore, ...]
    goals: tuple[Goal, ...]
    plots: tuple[tuple[str, Path], ...]
    cases: tuple[Case, ...]
    overlays: Mapping[str, Path]


def markdown(results: Sequence[FolderResult], out: Path) -> str:
    """The report; links are relative to `out`."""
    lines = ["# Accuracy report", "", _NOT_HERE, ""]
    for result in results:
        lines += _folder_section(result, out)
    return "\n".join(lines) + "\n"


def goal_table(goals: Sequence[Goal]) -> list[str]:
    """Markdown rows of the accuracy table."""
    rows = ["| what | goal | reached | |", "| --- | --- | --- | --- |"]
    return rows + [f"| {g.what} | {g.limit} | {g.reached} | {_verdict(g)} |" for g in goals]


def _verdict(goal: Goal) -> str:
    if goal.met is None:
        return "not told here"
    return "met" if goal.met else "**short**"


def _folder_section(result: FolderResult, out: Path) -> list[str]:
    candidates = [candidate for score in result.scores for candidate in score.candidates]
    others = [patch for score in result.scores for patch in score.patches if not patch.counts]
    brier = brier_score(candidates)
    lines = [f"## {result.folder.name}: {len(result.scores)} photos", "", *goal_table(result.goals)]
    lines += ["", f"Smaller, coarser or mostly hidden patches found: {_share(others)}."]
    if brier is not None:
        of = sum(candidate.is_mould for candidate in candidates)
        lines.append(
            f"Brier score of the mould likelihood: {brier:.3f} over {len(candidates)} reported "
            f"patches, {of} of them on mould."
        )
    lines += [
        "",
        "### Worst cases",
        "",
        "| photo | | what | overlay |",
        "| --- | --- | --- | --- |",
    ]
    for case in result.cases:
        overlay = result.overlays.get(case.score.name)
        link = "none" if overlay is None else f"[look]({_link(overlay, out)})"
        lines.append(f"| {case.score.name} | {case.kind} | {case.what} | {link} |")
    lines.append("")
    for caption, path in result.plots:
        lines += [f"### {caption}", "", f"![{caption}]({_link(path, out)})", ""]
    return lines


def _share(patches: Sequence[Any]) -> str:
    return f"{sum(patch.found for patch in patches)} of {len(patches)}"


def _link(path: Path, out: Path) -> str:
    return Path(os.path.relpath(path, out)).as_posix()


def summary(results: Sequence[FolderResult]) -> dict[str, Any]:
    """The same figures for scripts: goals and photos of each folder."""
    return {
        "folders": [
            {
                "folder": result.folder.name,
                "goals": [asdict(goal) for goal in result.goals],
                "photos": [_photo_summary(score) for score in result.scores],
            }
            for result in results
        ]
    }


def _photo_summary(score: PhotoScore) -> dict[str, Any]:
    return {
        "photo": score.name,
        "day": score.truth.day,
        "light": score.truth.light,
        "readable_tags": score.truth.readable_tags,
        "found": score.found,
        "wrong_numbers": score.wrong_numbers,
        "problem": score.problem,
        "corner_errors_px": [round(error, 3) for error in score.corner_errors_px],
        "cover": _value_summary(score.cover),
        "canopy_height_mm": _value_summary(score.height),
        "shoot_iou": score.shoot_iou,
        "lab": score.lab,
        "patches": [
            {
                "kind": patch.patch.kind,
                "diameter_mm": patch.patch.diameter_mm,
                "diameter_px": round(patch.patch.diameter_px, 1),
                "visible_share": round(patch.patch.visible_share, 3),
                "counts": patch.counts,
                "found": patch.found,
            }
            for patch in score.patches
        ],
        "candidates": [asdict(candidate) for candidate in score.candidates],
        "false_patches": score.false_patches,
        "health_score": score.health_score,
    }


def _value_summary(value: ComparedValue | None) -> dict[str, Any] | None:
    return None if value is None else asdict(value) | {"error": value.error}
