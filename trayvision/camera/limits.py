"""What no lens and no sensor is like: cameras that a file must not name, nor a calibration give."""

from collections.abc import Sequence
from typing import Final

import numpy as np

# 1800 mm on a 35 mm camera: beyond it sight lines are so nearly parallel that no pose is found.
LARGEST_FOCAL_PER_LONG_SIDE: Final = 50.0
# 157 degrees along the long side, beyond what a pinhole with distortion describes.
_SMALLEST_FOCAL_PER_LONG_SIDE: Final = 0.1
# Pixels are square; a picture that was stretched by more is no photo of a camera.
_LARGEST_FOCAL_RATIO: Final = 1.1
# A lens of 120 degrees from corner to corner that keeps angles in proportion brings its corners to
# 0.6 of where a pinhole has them; wider ones are not Brown's, and none draws them out so far.
_LEAST_AT_CORNER: Final = 0.5
_MOST_AT_CORNER: Final = 1.5
_SAMPLES: Final = 2001


def impossible(
    size_px: tuple[int, int],
    focal_px: tuple[float, float],
    centre_px: tuple[float, float],
    distortion: Sequence[float],
) -> str | None:
    """Which rule a camera breaks, with the field and what came, or None.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the photo.
    focal_px : tuple of float
        ``fx`` and ``fy``.
    centre_px : tuple of float
        ``cx`` and ``cy``.
    distortion : sequence of 5 float
        ``k1, k2, p1, p2, k3``.
    """
    long_side = max(size_px)
    for name, focal in zip(("fx", "fy"), focal_px, strict=True):
        if focal > LARGEST_FOCAL_PER_LONG_SIDE * long_side:
            return (
                f"camera {name} must be at most {LARGEST_FOCAL_PER_LONG_SIDE:g} times the "
                f"picture's long side, got {focal!r} px"
            )
        if focal < _SMALLEST_FOCAL_PER_LONG_SIDE * long_side:
            return (
                f"camera {name} must be at least {_SMALLEST_FOCAL_PER_LONG_SIDE:g} of the "
                f"picture's long side, got {focal!r} px"
            )
    if max(focal_px) > _LARGEST_FOCAL_RATIO * min(focal_px):
        return (
            f"camera fx and fy must agree within {_LARGEST_FOCAL_RATIO - 1:.0%}, since pixels are "
            f"square, got {focal_px[0]!r} and {focal_px[1]!r}"
        )
    for name, at, side in zip(("cx", "cy"), centre_px, size_px, strict=True):
        if not 0 <= at <= side - 1:
            return f"camera {name} must lie in the picture, from 0 to {side - 1:g} px, got {at!r}"
    return _impossible_lens(size_px, focal_px, centre_px, distortion)


def _impossible_lens(
    size_px: tuple[int, int],
    focal_px: tuple[float, float],
    centre_px: tuple[float, float],
    distortion: Sequence[float],
) -> str | None:
    k1, k2, p1, p2, k3 = distortion
    reach = [max(at, side - 1 - at) for at, side in zip(centre_px, size_px, strict=True)]
    corner = float(np.hypot(reach[0] / focal_px[0], reach[1] / focal_px[1]))
    radius = np.linspace(0.0, corner / _LEAST_AT_CORNER, _SAMPLES)
    square = radius**2
    # The tangential terms at their worst direction take or give up to so much.
    aslant = 3 * float(np.hypot(p1, p2)) * square
    bent = radius * (1 + square * (k1 + square * (k2 + square * k3))) - aslant
    falls = np.flatnonzero(np.diff(bent) <= 0)
    outwards = bent[: falls[0] + 1] if falls.size else bent
    if outwards.max() < corner:
        return (
            "camera distortion must not fold the picture or draw its corners in to less than "
            f"{_LEAST_AT_CORNER:g} of where a plain lens has them, got {list(distortion)!r}"
        )
    at_corner = float(radius[np.searchsorted(outwards, corner)])
    if corner > _MOST_AT_CORNER * at_corner:
        return (
            f"camera distortion must not draw the corners out to more than {_MOST_AT_CORNER:g} "
            f"times where a plain lens has them, got {list(distortion)!r}"
        )
    return None
