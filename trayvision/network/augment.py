# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""Random crops and random cameras, on whatever device holds the training pictures."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor
from torch.nn import functional

from trayvision.network.compression import from_yuv, jpeg, to_yuv
from trayvision.network.model import IGNORE, MOULD, SLIME

# How many crops are cut from a picture's own pixels; the others are resampled.
EXACT_SHARE = 0.6


@dataclass(frozen=True)
class Pictures:
    """All training pictures in one buffer.

    Parameters
    ----------
    packed : (n_px,) int32 tensor
        R + 256 G + 65536 B + 16777216 target, picture after picture.
    offsets, widths, heights : (n,) int64 tensors
    gains : (n, 3) float tensor
        Linear-light gains to neutral white.
    finest, coarsest : (n,) float tensors
        Allowed source px per crop px.
    sick_px : (n, 64, 2) float tensor
        Places (x, y) of mould and slime, NaN where there is none.
    """

    packed: Tensor
    offsets: Tensor
    widths: Tensor
    heights: Tensor
    gains: Tensor
    finest: Tensor
    coarsest: Tensor
    sick_px: Tensor


@dataclass(frozen=True)
class Example:
    """A picture (h, w, 3) uint8, its targets (h, w), its gains and its range of scales."""

    rgb: npt.NDArray[np.uint8]
    targets: npt.NDArray[np.uint8]
    gains: tuple[float, float, float]
    finest: float
    coarsest: float


def to_device(examples: list[Example], device: str, rng: np.random.Generator) -> Pictures:
    """Put examples into one buffer on a device."""
    packed, sizes, sick = [], [], []
    for example in examples:
        rgb = example.rgb.astype(np.uint32)
        value = rgb[..., 0] | rgb[..., 1] << 8 | rgb[..., 2] << 16
        packed.append((value | example.targets.astype(np.uint32) << 24).view(np.int32).ravel())
        sizes.append(example.targets.shape)
        sick.append(_sick_places(example.targets, rng))
    lengths = np.array([h * w for h, w in sizes])
    return Pictures(
        packed=torch.from_numpy(np.concatenate(packed)).to(device),
        offsets=torch.from_numpy(np.cumsum(lengths) - lengths).to(device),
        widths=torch.tensor([w for _, w in sizes], device=device),
        heights=torch.tensor([h for h, _ in sizes], device=device),
        gains=torch.tensor([e.gains for e in examples], dtype=torch.float32, device=device),
        finest=torch.tensor([e.finest for e in examples], device=device),
        coarsest=torch.tensor([e.coarsest for e in examples], device=device),
        sick_px=torch.from_numpy(np.stack(sick)).to(device),
    )


def _sick_places(
    targets: npt.NDArray[np.uint8], rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """(64, 2) places (x, y) of mould and slime, as many of either; NaN where neither is."""
    places = []
    for label in (MOULD, SLIME):
        rows, columns = np.nonzero(targets == label)
        if rows.size:
            picked = rng.integers(0, rows.size, 64)
            places.append(np.stack([columns[picked], rows[picked]], 1).astype(np.float32))
    if not places:
        return np.full((64, 2), np.nan, np.float32)
    return np.concatenate([part[: 64 // len(places)] for part in places])


def draw_crops(
    pictures: Pictures, chosen: Tensor, *, side: int, sick_share: float, generator: torch.Generator
) -> tuple[Tensor, Tensor]:
    """Randomly placed, turned, mirrored and scaled crops.

    `EXACT_SHARE` of them are cut from the picture's own pixels, in quarter turns: resampled
    pictures alone are softer than photos are.

    Parameters
    ----------
    chosen : (b,) int64 tensor
        Which pictures.
    sick_share : float
        How often a picture with mould or slime is cropped around some of it.

    Returns
    -------
    (b, 3, side, side) float tensor, 0 to 1, and (b, side, side) int64 targets
    """
    device = pictures.packed.device
    count = chosen.numel()

    def uniform(*shape: int) -> Tensor:
        return torch.rand(*shape, generator=generator, device=device)

    size = torch.stack([pictures.widths[chosen], pictures.heights[chosen]], 1).float()
    low, high = pictures.finest[chosen].log(), pictures.coarsest[chosen].log()
    exact = uniform(count) < EXACT_SHARE
    scale = torch.where(exact, 1.0, (low + (high - low) * uniform(count)).exp())
    reach = (scale * side * 0.4)[:, None]
    centre = reach + uniform(count, 2) * (size - 2 * reach)
    centre = torch.where(size > 2 * reach, centre, size / 2)
    pick = pictures.sick_px[chosen, (uniform(count) * 64).long()]
    near = pick + (uniform(count, 2) - 0.5) * reach * 1.6
    use = (uniform(count) < sick_share) & ~pick[:, 0].isnan()
    centre = torch.where(use[:, None], near, centre)
    # Half a pixel off, so that all four samples of a crop's pixel fall on one of the picture's.
    centre = torch.where(exact[:, None], centre.floor() + 0.5, centre)
    angle = torch.where(exact, (uniform(count) * 4).floor() / 4, uniform(count)) * 2 * torch.pi
    stretch = torch.where(exact, 1.0, 1 + 0.25 * (uniform(count) - 0.5))
    mirror = (uniform(count) < 0.5).float() * 2 - 1
    cos, sin = angle.cos() * scale, angle.sin() * scale
    matrix = torch.stack(
        [torch.stack([cos * stretch, -sin], 1), torch.stack([sin * stretch, cos], 1)], 1
    )
    matrix = torch.cat([matrix[:, :, :1] * mirror[:, None, None], matrix[:, :, 1:]], 2)
    steps = (torch.arange(2 * side, device=device) + 0.5) / 2 - side / 2
    grid = torch.stack(torch.meshgrid(steps, steps, indexing="xy"), -1)
    where = torch.einsum("bij,hwj->bhwi", matrix, grid) + centre[:, None, None]
    return _sample(pictures, chosen, where)


def _sample(pictures: Pictures, chosen: Tensor, where: Tensor) -> tuple[Tensor, Tensor]:
    """Mean colours of 2 x 2 samples, and targets by the mask rule."""
    width = pictures.widths[chosen][:, None, None]
    height = pictures.heights[chosen][:, None, None]
    x = _mirrored(where[..., 0], width).long()
    y = _mirrored(where[..., 1], height).long()
    value = pictures.packed[pictures.offsets[chosen][:, None, None] + y * width + x]
    channels = torch.stack([value & 255, value >> 8 & 255, value >> 16 & 255], 1)
    return functional.avg_pool2d(channels.float(), 2) / 255, _target(value >> 24 & 255)


def _mirrored(position: Tensor, length: Tensor) -> Tensor:
    """Nearest whole place of a position, folded back in at the picture's edges."""
    last = length - 1
    folded = torch.remainder(position.round(), (2 * last).float())
    return torch.minimum(folded, 2 * last - folded).clamp(min=0)


def _target(label: Tensor) -> Tensor:
    """2 x 2 labels to one: mould from a quarter up, else one that at least two share."""
    a, b = label[:, ::2, ::2], label[:, ::2, 1::2]
    c, d = label[:, 1::2, ::2], label[:, 1::2, 1::2]
    target = torch.where((a != b) & (a != c) & (a != d) & ((b == c) | (b == d)), b, a)
    target = torch.where((a != b) & (a != c) & (a != d) & (c == d), c, target)
    mould = (a == MOULD) | (b == MOULD) | (c == MOULD) | (d == MOULD)
    ignored = (a == IGNORE) | (b == IGNORE) | (c == IGNORE) | (d == IGNORE)
    return torch.where(ignored, IGNORE, torch.where(mould, MOULD, target)).long()


def random_camera(
    rgb: Tensor, targets: Tensor, gains: Tensor, generator: torch.Generator
) -> tuple[Tensor, Tensor]:
    """Light, correction, lens, sensor and compression of a camera drawn for each crop.

    Parameters
    ----------
    rgb : (b, 3, s, s) float tensor, sRGB 0 to 1
    targets : (b, s, s) int64 tensor
    gains : (b, 3) float tensor
        Linear-light gains to neutral white; applied with an error, sometimes not at all.

    Returns
    -------
    (b, 3, s, s) sRGB 0 to 255 in whole levels, and the targets
    """
    b, device = rgb.shape[0], rgb.device

    def uniform(*shape: int) -> Tensor:
        return torch.rand(*shape, generator=generator, device=device)

    def normal(*shape: int) -> Tensor:
        return torch.randn(*shape, generator=generator, device=device)

    def sometimes(share: float) -> Tensor:
        return (uniform(b, 1, 1, 1) < share).float()

    linear = ((rgb + 0.055) / 1.055).clamp(min=0).pow(2.4)
    linear = linear * _random_gains(gains, uniform, normal)
    shade = 0.3 * uniform(b, 1, 1, 1) * _smooth_field(b, 3, normal)
    shadow = torch.log1p(-0.6 * sometimes(0.3) * torch.sigmoid(4 * _smooth_field(b, 6, normal) - 3))
    veil = sometimes(0.08) * 0.06 * uniform(b, 1, 1, 1)
    linear = linear * (shade + shadow).exp() + veil
    encoded = (1.055 * linear.clamp(0, 1).pow(1 / 2.4) - 0.055).clamp(0, 1)
    contrast = 1 + 0.15 * normal(b, 1, 1, 1).clamp(-2, 2)
    encoded = (0.45 + (encoded - 0.45) * contrast).clamp(1e-4, 1)
    encoded = encoded.pow((0.12 * normal(b, 1, 1, 1)).exp())
    encoded = _turn_hue(encoded, 0.05 * normal(b), (0.22 * normal(b)).exp())
    soft = _softened(encoded)
    sharpness = torch.where(sometimes(0.4) > 0, 1.0, -0.8) * uniform(b, 1, 1, 1)
    encoded = encoded + sharpness * (encoded - soft) * sometimes(0.5)
    encoded = encoded + _noise(encoded, uniform, normal)
    some = b // 4
    packed = jpeg(encoded[:some].clamp(0, 1), 2 + 14 * uniform(some, 1, 1, 1) ** 2)
    encoded = torch.cat([packed, encoded[some:]])
    return (encoded.clamp(0, 1) * 255).round(), targets


def _random_gains(gains: Tensor, uniform, normal) -> Tensor:
    b = gains.shape[0]
    level = (0.25 * normal(b, 1)).exp()
    cast = torch.where(uniform(b, 1) < 0.2, 0.11, 0.035)
    error = (cast * normal(b, 3)).exp()
    corrected = uniform(b, 1) < 0.85
    return (torch.where(corrected, gains, torch.ones_like(gains)) * level * error)[:, :, None, None]


def _smooth_field(count: int, knots: int, normal) -> Tensor:
    """(count, 1, 256, 256) smooth random field of unit variance at its knots."""
    field = normal(count, 1, knots, knots)
    return functional.interpolate(
        field, size=(CROP_SIDE, CROP_SIDE), mode="bilinear", align_corners=True
    )


CROP_SIDE = 256


def _turn_hue(rgb: Tensor, angle: Tensor, saturation: Tensor) -> Tensor:
    cos, sin = angle.cos() * saturation, angle.sin() * saturation
    zero, one = torch.zeros_like(cos), torch.ones_like(cos)
    turn = torch.stack([one, zero, zero, zero, cos, -sin, zero, sin, cos], 1).view(-1, 3, 3)
    matrix = from_yuv(rgb.device) @ turn @ to_yuv(rgb.device)
    return torch.einsum("bij,bjhw->bihw", matrix, rgb).clamp(0, 1)


def _softened(rgb: Tensor) -> Tensor:
    """Twice averaged over 3 x 3 pixels."""
    once = functional.avg_pool2d(rgb, 3, 1, 1, count_include_pad=False)
    return functional.avg_pool2d(once, 3, 1, 1, count_include_pad=False)


def _noise(rgb: Tensor, uniform, normal) -> Tensor:
    b, _, h, w = rgb.shape
    strength = 0.03 * uniform(b, 1, 1, 1) ** 2 * (0.4 + rgb.clamp(0, 1).sqrt())
    luma = normal(b, 1, h, w)
    chroma = functional.interpolate(normal(b, 3, h // 2, w // 2), size=(h, w), mode="bilinear")
    return strength * (luma * 0.7 + chroma * 0.9 * uniform(b, 1, 1, 1))
