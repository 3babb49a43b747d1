"""Judge what an inspection makes of things that lie on a tray.

    python -m trayvision.network.evaluate_things FOLDER... [--things CUTOUTS]

Lays two drawn or cut-out things (`things.py`) over every photo of a tray without mould, twice, and
inspects it with and without them: what is below a thing must not be judged, and nothing else may
change. The cut-out things should be others than the networks learnt from.
"""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageOps

from trayvision.accuracy.scores import CALLED_MOULD
from trayvision.accuracy.truth import PhotoTruth, find_photos
from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_srgb, srgb_to_linear
from trayvision.inspection.inspection import inspect_photo
from trayvision.inspection.tray_inspection import TrayInspection
from trayvision.network.drawing import FloatImage
from trayvision.network.things import draw_thing, lay_over, read_cutouts
from trayvision.pose.rectification import photo_map
from trayvision.quality_flags import PhotoProblem
from trayvision.segmentation.pixel_classes import TrayClass

_THINGS, _TRIES = 2, 2
_SIZES_MM = 35.0, 130.0
# Bare areas that grow by less are the same ones, told a little differently.
_MORE_BARE_MM2 = 300.0


@dataclass(frozen=True)
class Judged:
    """One tray with things on it; `told` counts the plan's pixels below them by `TrayClass`."""

    told: Counter[int]
    mould_before: bool
    mould: bool
    more_bare: bool
    cover_change: float | None


def judge(truth: PhotoTruth, attempts: int, things: tuple[Path, ...]) -> list[Judged | None]:
    """Inspect one photo without and, so many times, with things; None where no tray is found."""
    before = _tray(truth, truth.photo.read_bytes())
    if before is None or before.pose is None:
        return [None] * attempts
    return [_judge(truth, before, attempt, things) for attempt in range(attempts)]


def _judge(
    truth: PhotoTruth, before: TrayInspection, attempt: int, things: tuple[Path, ...]
) -> Judged | None:
    rng = np.random.default_rng([attempt, *truth.photo.stem.encode()])
    covered, hidden = _covered(truth, before, rng, things)
    after = _tray(truth, covered)
    if after is None or after.pose is None:
        return None
    identity = np.eye(3)[:2]
    maps = photo_map(after.pose, after.plan.grid, after.plan.z_mm, identity)
    below = cv2.remap(hidden, *maps, cv2.INTER_LINEAR) > 0.5
    told = Counter(after.plan.classes[below].tolist())
    covers = before.cover.cover.value, after.cover.cover.value
    return Judged(
        told,
        _mouldy(before),
        _mouldy(after),
        _bare_mm2(after) > _bare_mm2(before) + _MORE_BARE_MM2,
        None if covers[0] is None or covers[1] is None else abs(covers[1] - covers[0]),
    )


def _tray(truth: PhotoTruth, photo: bytes) -> TrayInspection | None:
    size = truth.tray_size
    try:
        found = inspect_photo(
            photo,
            tray_size=(size.length_mm, size.width_mm, size.depth_mm),
            camera=truth.camera,
            day=truth.whole_day,
        )
    except PhotoProblem:
        return None
    return next((tray for tray in found.trays if tray.number == truth.tray_number), None)


def _covered(
    truth: PhotoTruth, tray: TrayInspection, rng: np.random.Generator, things: tuple[Path, ...]
) -> tuple[bytes, FloatImage]:
    """The photo as a JPEG with things laid on its tray in its own light, and what they hide."""
    assert tray.pose is not None
    # Not as an inspection decodes it: that would be smaller where the photo is large.
    with Image.open(truth.photo) as photo:
        pixels = np.asarray(ImageOps.exif_transpose(photo).convert("RGB"))
    gains = tray.light.gains / tray.light.gains[1]
    # Every level of each channel as the tray's light would have it.
    lit = linear_to_srgb(LINEAR_OF_LEVEL[:, None] * gains).astype(np.float32)
    rgb = lit[pixels, np.arange(3)]
    hidden = np.zeros(pixels.shape[:2], np.float32)
    cutouts = read_cutouts(things)
    for _ in range(_THINGS):
        reach = np.array([truth.tray_size.length_mm, truth.tray_size.width_mm]) * 0.4
        place = np.array([*rng.uniform(-reach, reach), 0.0])
        around = tray.pose.project(np.stack([place, place + [rng.uniform(*_SIZES_MM), 0, 0]]))
        side = max(8, int(np.hypot(*(around[1] - around[0]))))
        left, top = (around[0] - side / 2).astype(int).tolist()
        one = lay_over(rgb, draw_thing(rng, side, cutouts), top, left, rng)
        hidden = np.maximum(hidden, one)
    changed = (rgb != lit[pixels, np.arange(3)]).any(axis=2)
    photographed = _photographed(lit, gains)[pixels, np.arange(3)]
    photographed[changed] = _photographed(rgb[changed], gains)
    jpeg = cv2.imencode(".jpg", photographed[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    return jpeg.tobytes(), hidden


def _photographed(rgb: FloatImage, gains: npt.NDArray[np.float64]) -> npt.NDArray[np.uint8]:
    """Levels (..., 3) of what is corrected to `rgb` by these gains."""
    coded = linear_to_srgb(srgb_to_linear(np.clip(rgb, 0, 1)) / gains)
    return np.clip(coded * 255, 0, 255).round().astype(np.uint8)


def _mouldy(tray: TrayInspection) -> bool:
    return any(patch.likelihood >= CALLED_MOULD for patch in tray.mould.patches)


def _bare_mm2(tray: TrayInspection) -> float:
    areas = (*tray.evenness.bare_floor, *tray.evenness.bare_areas)
    return sum(area.area_mm2 for area in areas)


def _shares(judged: list[Judged]) -> npt.NDArray[np.float64]:
    counts = sum((each.told for each in judged), Counter[int]())
    return np.array([counts[tray_class] for tray_class in TrayClass]) / max(counts.total(), 1)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    parser.add_argument("--things", type=Path, nargs="+", default=())
    given = parser.parse_args()
    truths = [truth for folder in given.folders for truth in find_photos(folder)]
    clean = [truth for truth in truths if not truth.patches]
    with ProcessPoolExecutor(
        mp_context=get_context("spawn"), initializer=cv2.setNumThreads, initargs=(1,)
    ) as pool:
        twice = partial(judge, attempts=_TRIES, things=tuple(given.things))
        found = list(chain.from_iterable(pool.map(twice, clean)))
    judged = [each for each in found if each is not None]
    print(f"{len(judged)} of {len(found)} photos with things on a tray gave a tray")
    print("what is below them was told to be:")
    for tray_class, share in zip(TrayClass, _shares(judged), strict=True):
        print(f"  {tray_class.name.lower().replace('_', ' ')} {share:.1%}")
    changes = [each.cover_change for each in judged if each.cover_change is not None]
    mould = sum(each.mould and not each.mould_before for each in judged)
    bare = sum(each.more_bare for each in judged)
    print(f"mould called that was not before: {mould}; more bare: {bare}")
    print(f"cover changed by {np.mean(changes):.4f}, at most {max(changes):.4f}")


if __name__ == "__main__":
    main()
