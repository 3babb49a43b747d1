"""Judge what is told of photos without a kit, which may show any plant or none.

    python -m trayvision.network.evaluate_any_plant PICTURES

PICTURES holds JPEG and PNG pictures without mould that no network learnt from. Pieces of them are
judged as they are, and once more with mould drawn onto what is leaf green; then drawn pictures.
All are saved as JPEGs and go the way of any photo. It says how many pieces are flagged and how
well the largest likelihood of a patch tells those with mould from those without.
"""

import argparse
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy.stats import mannwhitneyu

from trayvision.inspection.inspection import inspect_photo
from trayvision.network import composites
from trayvision.network.drawing import IGNORE, MOULD, SHOOT, SIDE
from trayvision.segmentation.leaf_green import leaf_green

RgbImage = npt.NDArray[np.uint8]

_PIECES, _MOULDY_PIECES = 6, 12
# Drawn pictures of these seeds were never learnt from.
_FIRST_DRAWN = 880_000
_LEAFY, _FLAGGED = 0.3, 0.5
# Fewer pixels are refused as a photo; smaller pieces are enlarged.
_LEAST_PX = 230_000
# Half a 95 % interval, in standard uncertainties.
_WITHIN = 1.96
_SOME_MOULD, _MOSTLY_KNOWN = 0.002, 0.95


@dataclass
class Judged:
    """Of one kind of pictures, each one's largest likelihood of mould, and how cover errs."""

    likelihoods: list[float] = field(default_factory=list)
    cover_errors: list[float] = field(default_factory=list)
    cover_held: list[bool] = field(default_factory=list)

    def take(self, rgb: RgbImage, true_cover: float | None = None) -> None:
        """Judge one more picture."""
        (frame,) = inspect_photo(_jpeg(rgb), whole_photo=True).trays
        patches = frame.mould.patches
        self.likelihoods.append(max((patch.likelihood for patch in patches), default=0.0))
        cover = frame.cover.cover
        if true_cover is not None and cover.value is not None and cover.uncertainty is not None:
            error = abs(cover.value - true_cover)
            self.cover_errors.append(error)
            self.cover_held.append(error <= _WITHIN * cover.uncertainty)

    @property
    def flagged(self) -> str:
        """How many have a patch that is rather mould than not."""
        return f"{sum(one >= _FLAGGED for one in self.likelihoods)} of {len(self.likelihoods)}"

    def area_under_curve(self, *without: "Judged") -> float:
        """How often one of these is held likelier than one of those without mould."""
        mine, theirs = self.likelihoods, [one for judged in without for one in judged.likelihoods]
        return float(mannwhitneyu(mine, theirs).statistic) / (len(mine) * len(theirs))


def _jpeg(rgb: RgbImage) -> bytes:
    enlarge = max(1.0, (_LEAST_PX / (rgb.shape[0] * rgb.shape[1])) ** 0.5)
    shown = cv2.resize(rgb, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_CUBIC)
    saved = io.BytesIO()
    Image.fromarray(np.asarray(shown, dtype=np.uint8)).save(saved, "JPEG", quality=92)
    return saved.getvalue()


def pieces(rgb: RgbImage, rng: np.random.Generator) -> Iterator[RgbImage]:
    """Squares of a third to four fifths of a picture's shorter side, or all of a small one."""
    height, width = rgb.shape[:2]
    if min(height, width) < SIDE:
        yield rgb
        return
    for _ in range(_PIECES):
        side = int(rng.uniform(0.35, 0.8) * min(height, width))
        top, left = int(rng.integers(height - side + 1)), int(rng.integers(width - side + 1))
        yield np.ascontiguousarray(rgb[top : top + side, left : left + side])


def with_mould(picture: Image.Image, rng: np.random.Generator) -> Iterator[RgbImage]:
    """Pieces of a leafy picture, at half to its whole size, with mould drawn onto its leaves."""
    for _ in range(_MOULDY_PIECES):
        scale = rng.uniform(0.5, 1.0)
        size = [max(SIDE, round(side * scale)) for side in picture.size]
        rgb = np.asarray(picture.resize((size[0], size[1])))
        seed = int(rng.integers(2**31))
        mouldy, targets = composites.overgrow_leaves(rgb, leaf_green(rgb), seed)
        if (targets == MOULD).mean() > _SOME_MOULD:
            yield mouldy


def judge_pictures(folder: Path) -> None:
    """Print what is told of the pictures of a folder."""
    rng = np.random.default_rng(5)
    leaves, others, mouldy = Judged(), Judged(), Judged()
    for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".png")):
        picture = _on_grey(path)
        rgb = np.asarray(picture)
        leafy = leaf_green(rgb).mean() > _LEAFY
        for piece in pieces(rgb, rng):
            (leaves if leafy else others).take(piece)
        if leafy:
            for piece in with_mould(picture, rng):
                mouldy.take(piece)
    print(f"leaves without mould flagged: {leaves.flagged}; other things: {others.flagged}")
    print(
        f"leaves with drawn mould flagged: {mouldy.flagged}; area under the ROC curve, beside "
        f"leaves alone {mouldy.area_under_curve(leaves):.3f}, beside everything "
        f"{mouldy.area_under_curve(leaves, others):.3f}"
    )


def _on_grey(path: Path) -> Image.Image:
    with Image.open(path) as opened:
        shown = opened.convert("RGBA")
    ground = Image.new("RGBA", shown.size, (128, 128, 128, 255))
    return Image.alpha_composite(ground, shown).convert("RGB")


def judge_drawn(count: int) -> None:
    """Print what is told of drawn pictures."""
    clean, mouldy = Judged(), Judged()
    for seed in range(_FIRST_DRAWN, _FIRST_DRAWN + count):
        rgb, targets = composites.compose(seed)
        share = (targets == MOULD).mean()
        known = (targets != IGNORE).mean() > _MOSTLY_KNOWN
        cover = float((targets == SHOOT).mean()) if known else None
        if share == 0:
            clean.take(rgb, cover)
        elif share > _SOME_MOULD:
            mouldy.take(rgb, cover)
    errors, held = clean.cover_errors + mouldy.cover_errors, clean.cover_held + mouldy.cover_held
    print(
        f"drawn without mould flagged: {clean.flagged}; with: {mouldy.flagged}; area under the "
        f"ROC curve {mouldy.area_under_curve(clean):.3f}"
    )
    print(
        f"cover of {len(errors)} drawn ones wrong by {np.mean(errors):.4f}, its 95 % interval "
        f"holds in {np.mean(held):.0%}"
    )


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pictures", type=Path)
    parser.add_argument("--drawn", type=int, default=200, help="how many drawn pictures")
    given = parser.parse_args()
    judge_pictures(given.pictures)
    judge_drawn(given.drawn)


if __name__ == "__main__":
    main()
