# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""What the network learns from, and how often it sees each picture."""

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import torch
from PIL import Image
from torch import Tensor

from trayvision.colorimetry import linear_to_srgb, srgb_to_linear
from trayvision.network import composites, dataset
from trayvision.network.augment import Example
from trayvision.network.model import MOULD, SHOOT, SLIME
from trayvision.network.things import Cutout, read_cutouts
from trayvision.segmentation.leaf_green import leaf_green

# Scales that tray crops are drawn at, mm a px; inspections never run finer than 0.5.
SCALES_MM_PER_PX = (0.45, 1.0)
_SMALLEST_PHOTOGRAPH_PX, _LARGEST_PHOTOGRAPH_PX = 120, 640
# Photographs with less of leaf green have no mould drawn onto them.
_LEAST_LEAF_SHARE = 0.05
_PIECES_OF_A_PHOTOGRAPH = 12


@dataclass(frozen=True)
class Shares:
    """Of the crops, those of each kind of picture; the rest are renders as they are."""

    overgrown: float
    drawn: float
    negative: float
    photographs: float
    mouldy_photographs: float
    covered: float


OF_TRAYS = Shares(0.15, 0.23, 0.03, 0.07, 0.0, 0.14)
OF_ANY_PLANT = Shares(0.14, 0.38, 0.02, 0.17, 0.08, 0.0)


def examples_to_learn(
    packed: Path,
    drawn: int,
    seed: int,
    photographs: Sequence[Path],
    things: Sequence[Path],
    shares: Shares,
) -> tuple[list[Example], Tensor]:
    """All pictures, and how often each is to be drawn.

    Parameters
    ----------
    packed : Path
        Folder of packed renders.
    drawn : int
        How many pictures to draw (`composites.py`).
    seed : int
    photographs : sequence of Path
        JPEG and PNG pictures of anything that is not mouldy, and folders of such.
    things : sequence of Path
        PNG pictures with transparent ground to lay over trays, and folders of such.
    shares : Shares
    """
    rendered = rendered_examples(packed)
    overgrown = overgrown_examples(rendered, seed)
    composed = drawn_examples(drawn, seed)
    negative = negative_examples()
    mouldless = mouldless_examples(photographs, seed)
    mouldy = mouldy_examples(mouldless, seed) if shares.mouldy_photographs else []
    covered = covered_examples(rendered, read_cutouts(things), seed) if shares.covered else []
    others = [
        (overgrown, shares.overgrown),
        (composed, shares.drawn),
        (negative, shares.negative),
        (mouldless, shares.photographs),
        (mouldy, shares.mouldy_photographs),
        (covered, shares.covered),
    ]
    weights = sampling_weights(rendered, [(len(group), share) for group, share in others])
    return rendered + [example for group, _ in others for example in group], weights


def rendered_examples(folder: Path) -> list[Example]:
    """The packed renders of a folder."""
    examples = []
    for photo in dataset.read_index(folder):
        rgb, targets = dataset.read_packed(folder, photo)
        finest, coarsest = (scale / photo.mm_per_px for scale in SCALES_MM_PER_PX)
        examples.append(Example(rgb, targets, photo.gains, finest, coarsest))
    return examples


def drawn_examples(count: int, seed: int) -> list[Example]:
    """Composites, drawn by all processors."""
    with ProcessPoolExecutor(initializer=_one_thread) as pool:
        seeds = range(seed * 1_000_000, seed * 1_000_000 + count)
        drawn = pool.map(composites.compose, seeds, chunksize=8)
        return [Example(rgb, targets, (1.0, 1.0, 1.0), 0.5, 2.0) for rgb, targets in drawn]


def overgrown_examples(rendered: list[Example], seed: int) -> list[Example]:
    """Pieces of the renders, in corrected light, with drawn mould besides their own."""
    seeds = range(seed * 1_000_000 + 500_000, seed * 1_000_000 + 500_000 + len(rendered))
    with ProcessPoolExecutor(initializer=_one_thread) as pool:
        return list(pool.map(_overgrow, rendered, seeds, chunksize=4))


def _overgrow(example: Example, seed: int) -> Example:
    corrected = corrected_rgb(example)
    rgb, targets = composites.overgrow(
        (corrected * 255).round().astype(np.uint8), example.targets, seed
    )
    return Example(rgb, targets, (1.0, 1.0, 1.0), example.finest, example.coarsest)


def covered_examples(rendered: list[Example], cutouts: list[Cutout], seed: int) -> list[Example]:
    """Pieces of the renders, in corrected light, with things laid over them."""
    seeds = range(seed * 1_000_000 + 700_000, seed * 1_000_000 + 700_000 + len(rendered))
    with ProcessPoolExecutor(initializer=_one_thread) as pool:
        chosen = [_few(cutouts, each) for each in seeds]
        return list(pool.map(_cover, rendered, seeds, chosen, chunksize=4))


def _few(cutouts: list[Cutout], seed: int) -> list[Cutout]:
    """What may lie over one picture: all would be much to send to another process."""
    rng = np.random.default_rng(seed)
    return [cutouts[index] for index in rng.integers(0, len(cutouts), 4)] if cutouts else []


def _cover(example: Example, seed: int, cutouts: list[Cutout]) -> Example:
    corrected = (corrected_rgb(example) * 255).round().astype(np.uint8)
    rgb, targets = composites.cover(corrected, example.targets, seed, cutouts)
    return Example(rgb, targets, (1.0, 1.0, 1.0), example.finest, example.coarsest)


def corrected_rgb(example: Example) -> npt.NDArray[np.float64]:
    """(h, w, 3) sRGB 0 to 1 with the example's gains applied in linear light."""
    linear = srgb_to_linear(example.rgb / 255.0) * np.array(example.gains)
    return linear_to_srgb(linear)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def negative_examples() -> list[Example]:
    """Photographs that scikit-image carries and that show neither plants nor mould."""
    from skimage import data

    names = ("astronaut", "coffee", "chelsea", "immunohistochemistry", "brick", "gravel", "retina")
    examples = []
    for name in names:
        try:
            picture = getattr(data, name)()
        except (OSError, ModuleNotFoundError, AttributeError) as reason:
            print(f"left out the negative {name}: {reason}")
            continue
        rgb = picture[..., :3] if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)
        targets = np.full(rgb.shape[:2], dataset.HARMLESS, np.uint8)
        examples.append(Example(np.ascontiguousarray(rgb), targets, (1.0, 1.0, 1.0), 0.6, 2.0))
    return examples


def mouldless_examples(pictures: Sequence[Path], seed: int) -> list[Example]:
    """Photographs of who knows what, as long as nothing on them is mouldy.

    Pictures with transparent parts are laid on ground of one colour; small ones are left out.

    Parameters
    ----------
    pictures : sequence of Path
        JPEG and PNG files, and folders of such.
    seed : int

    Raises
    ------
    FileNotFoundError
        If there is no picture at a path.
    """
    rng = np.random.default_rng(seed)
    examples = []
    for given in pictures:
        files = sorted(p for p in given.rglob("*") if p.suffix.lower() in (".jpg", ".png"))
        if not files and not given.is_file():
            raise FileNotFoundError(f"photographs must name JPEG or PNG pictures, got {given}")
        for path in files or [given]:
            rgb = _on_ground(path, rng)
            if min(rgb.shape[:2]) >= _SMALLEST_PHOTOGRAPH_PX:
                targets = np.full(rgb.shape[:2], dataset.MOULDLESS, np.uint8)
                examples.append(Example(rgb, targets, (1.0, 1.0, 1.0), 0.6, 2.0))
    return examples


def mouldy_examples(mouldless: list[Example], seed: int) -> list[Example]:
    """Pieces of photographs with mould drawn onto what is as green as only leaves are."""
    chosen = [
        (e.rgb, green) for e in mouldless if (green := leaf_green(e.rgb)).mean() > _LEAST_LEAF_SHARE
    ]
    pieces = [
        composites.overgrow_leaves(rgb, green, seed * 1_000_000 + 600_000 + index)
        for index, (rgb, green) in enumerate(chosen * _PIECES_OF_A_PHOTOGRAPH)
    ]
    return [Example(rgb, targets, (1.0, 1.0, 1.0), 0.6, 2.0) for rgb, targets in pieces]


def _on_ground(path: Path, rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    with Image.open(path) as picture:
        picture.thumbnail((_LARGEST_PHOTOGRAPH_PX, _LARGEST_PHOTOGRAPH_PX))
        shown = picture.convert("RGBA")
    tint = tuple(int(level) for level in rng.integers(0, 256) + rng.integers(-25, 26, 3))
    ground = Image.new("RGBA", shown.size, (*np.clip(tint, 0, 255).tolist(), 255))
    return np.asarray(Image.alpha_composite(ground, shown).convert("RGB"))


def sampling_weights(rendered: list[Example], others: list[tuple[int, float]]) -> Tensor:
    """How often each picture is drawn.

    Parameters
    ----------
    rendered : list of Example
        Drawn more often with mould or slime, and half grown over.
    others : list of (int, float)
        How many pictures of each other kind follow, and their share, which goes to the renders
        where there are none.
    """
    renders = np.array(
        [
            (1.5 if np.isin(e.targets, (MOULD, SLIME)).any() else 1.0)
            * (2.0 if 0.005 < (e.targets == SHOOT).mean() < 0.45 else 1.0)
            for e in rendered
        ]
    )
    groups = [(np.ones(count), share if count else 0.0) for count, share in others]
    groups.insert(0, (renders, 1 - sum(share for _, share in groups)))
    return torch.tensor(np.concatenate([w / max(w.sum(), 1) * share for w, share in groups]))
