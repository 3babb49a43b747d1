"""Accuracy report over folders of photos with truth files.

Run ``python -m trayvision.accuracy_report FOLDER… --out DIR``: prints the accuracy table and
writes ``report.md`` with plots and the overlays of the worst cases, and ``summary.json``.
"""

import argparse
import json
import multiprocessing
import sys
from collections.abc import Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from pathlib import Path

import cv2
from PIL import Image
from tqdm import tqdm

from trayvision.accuracy.document import FolderResult, goal_table, markdown, summary
from trayvision.accuracy.plots import draw_plots
from trayvision.accuracy.scores import inspect_with_truth, score_photo
from trayvision.accuracy.table import accuracy_table
from trayvision.accuracy.truth import PhotoTruth, find_photos
from trayvision.accuracy.worst import worst_cases
from trayvision.overlay.overlay import draw_overlay


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the report; 0 when every goal that could be told is met, 1 when not, 2 on misuse."""
    parser = argparse.ArgumentParser("python -m trayvision.accuracy_report", description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    options = parser.parse_args(arguments)
    try:
        photos = [(folder, find_photos(folder)) for folder in options.folders]
    except ValueError as error:
        parser.error(str(error))
    names = _section_names(options.folders)
    # Started afresh instead of forked: OpenCV's threads do not survive a fork.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(
        mp_context=context, initializer=cv2.setNumThreads, initargs=(1,)
    ) as pool:
        results = [
            _report_on(folder, truths, options.out / name, pool)
            for name, (folder, truths) in zip(names, photos, strict=True)
        ]
    _write(results, options.out)
    told = [goal.met for result in results for goal in result.goals if goal.met is not None]
    return 0 if all(told) else 1


def _section_names(folders: Sequence[Path]) -> list[str]:
    """A name for each folder's plots; folders of the same name are told apart by a number."""
    stems = [folder.resolve().name for folder in folders]
    return [
        stem if stems.count(stem) == 1 else f"{stem}-{place + 1}"
        for place, stem in enumerate(stems)
    ]


def _report_on(
    folder: Path, truths: Sequence[PhotoTruth], out: Path, pool: Executor
) -> FolderResult:
    progress = tqdm(
        pool.map(score_photo, truths), total=len(truths), desc=folder.name, unit="photo"
    )
    scores = tuple(progress)
    goals = accuracy_table(scores)
    cases = tuple(worst_cases(scores))
    shown = {case.score.name: case.score.truth for case in cases if case.score.found}
    overlays = {name: out / "overlays" / f"{name}.jpg" for name in shown}
    (out / "overlays").mkdir(parents=True, exist_ok=True)
    list(pool.map(_draw_overlay, shown.values(), overlays.values()))
    plots = tuple(draw_plots(scores, goals, out))
    return FolderResult(folder, scores, goals, plots, cases, overlays)


def _draw_overlay(truth: PhotoTruth, path: Path) -> None:
    Image.fromarray(draw_overlay(inspect_with_truth(truth))).save(path, quality=90)


def _write(results: Sequence[FolderResult], out: Path) -> None:
    (out / "report.md").write_text(markdown(results, out), encoding="utf-8")
    figures = json.dumps(summary(results), indent=1, allow_nan=False)
    (out / "summary.json").write_text(figures + "\n", encoding="utf-8")
    for result in results:
        print(f"\n{result.folder.name}: {len(result.scores)} photos")
        print("\n".join(goal_table(result.goals)))
    print(f"\nReport: {out.resolve() / 'report.md'}")


if __name__ == "__main__":
    sys.exit(main())
