# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""What a camera's JPEG loses, on whatever device holds the pictures."""

from functools import cache

import torch
from torch import Tensor
from torch.nn import functional

_TO_YUV = torch.tensor(
    [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]]
)


@cache
def to_yuv(device: torch.device) -> Tensor:
    """(3, 3) matrix from RGB to luma and colour differences (ITU-R BT.601)."""
    return _TO_YUV.to(device)


@cache
def from_yuv(device: torch.device) -> Tensor:
    """(3, 3) matrix back to RGB."""
    return torch.linalg.inv(_TO_YUV).to(device)


@cache
def _dct_matrix(device: torch.device) -> Tensor:
    k = torch.arange(8.0)
    matrix = torch.cos(torch.pi * (2 * k[None] + 1) * k[:, None] / 16) / 2
    matrix[0] /= 2**0.5
    return matrix.to(device)


@cache
def _steps_by_frequency(device: torch.device) -> Tensor:
    k = torch.arange(8.0)
    return (1 + (k[:, None] + k[None]) * 0.35).view(8, 1, 8).to(device)


def jpeg(rgb: Tensor, step: Tensor) -> Tensor:
    """Block DCT quantisation in YUV, coarser for high frequencies and, halved in size, chroma."""
    yuv = torch.einsum("ij,bjhw->bihw", to_yuv(rgb.device), rgb)
    chroma = functional.interpolate(
        _quantise(functional.avg_pool2d(yuv[:, 1:], 2), step * 1.5), scale_factor=2.0
    )
    yuv = torch.cat([_quantise(yuv[:, :1], step), chroma], 1)
    return torch.einsum("ij,bjhw->bihw", from_yuv(rgb.device), yuv)


def _quantise(plane: Tensor, step: Tensor) -> Tensor:
    dct = _dct_matrix(plane.device)
    b, c, h, w = plane.shape
    blocks = plane.view(b, c, h // 8, 8, w // 8, 8)
    spectrum = torch.einsum("ui,bchiwj,vj->bchuwv", dct, blocks, dct)
    table = _steps_by_frequency(plane.device) * step[:, :, :, :, None, None] / 255
    spectrum = (spectrum / table).round() * table
    return torch.einsum("ui,bchuwv,vj->bchiwj", dct, spectrum, dct).reshape(b, c, h, w)
