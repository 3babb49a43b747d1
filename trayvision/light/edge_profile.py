"""The blurred step from black to white at the edges of printed tags (slanted-edge method).

ISO 12233 measures a camera's resolution on slanted edges: pixels near an edge are ordered by
their distance from it, which samples the edge spread far finer than the pixel pitch.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL
from trayvision.light.kit_white import CLIPPED_LEVEL
from trayvision.photo.photo import Photo
from trayvision.reference_kit import QUIET_ZONE_MM, TAG_EDGE_MM
from trayvision.tags.family import TAG_CELLS, tag_cells

FloatArray = npt.NDArray[np.float64]

_BIN_PX: Final = 0.25
# Inside, the black border ends after 3.75 mm; outside, the quiet zone after 5 mm.
_INNER_REACH: Final = 3.3 / TAG_EDGE_MM
_OUTER_REACH: Final = 4.3 / TAG_EDGE_MM
_FARTHEST_PX: Final = 8.0
_BINS: Final = round(2 * _FARTHEST_PX / _BIN_PX)
# Next to the corners the other edge's blur mixes in.
_TRIM: Final = 0.12
_FEWEST_BINS: Final = 8
_BEYOND_RANGE: Final = 2.0
_ITERATIONS: Final = 12
_SETTLED: Final = 1e-3


@dataclass(frozen=True, eq=False)
class EdgeProfiles:
    """Pixels along e edges, averaged in bins of a quarter px by distance from the edge.

    Parameters
    ----------
    tag : (e,) int array
        Which of the given tags each edge belongs to.
    count : (e, bins) float array
        Pixels in each bin.
    distance_px : (e, bins) float array
        Their mean distance in working px, positive on the white side.
    linear_rgb : (e, bins, 3) float array
        Their mean colour in linear light.
    noise : (e, bins) float array
        Standard deviation of the green of single pixels within the bin.
    clipped : (e, bins, 3) bool array
        Whether the photo's range cut a tenth of them or more off.
    module_px : (e,) float array
        Width of the black border across each edge.
    inner_white : (e,) float array
        Share of white in the printed row behind that border, along the edge.
    """

    tag: npt.NDArray[np.int_]
    count: FloatArray
    distance_px: FloatArray
    linear_rgb: FloatArray
    noise: FloatArray
    clipped: npt.NDArray[np.bool_]
    module_px: FloatArray
    inner_white: FloatArray


@dataclass(frozen=True, eq=False)
class StepFits:
    """``black + (white - black) Phi((distance - shift) / sigma)`` for e edges, NaN for none.

    Parameters
    ----------
    sigma_px : (e,) float array
        Standard deviation of the blur in working px, the pixel's own aperture included.
    shift_px : (e,) float array
        How far from the given edge the step lies, positive towards white.
    black, white : (e,) float arrays
        Linear light; `white` is extrapolated where the photo's range cut it off.
    misfit : (e,) float array
        Root mean square misfit of the bins as a share of ``white - black``.
    """

    sigma_px: FloatArray
    shift_px: FloatArray
    black: FloatArray
    white: FloatArray
    misfit: FloatArray


def edge_profiles(
    photo: Photo, corners_px: FloatArray, ids: Sequence[int] | None = None
) -> EdgeProfiles:
    """Profiles across the four edges of each tag.

    Parameters
    ----------
    photo : Photo
    corners_px : (t, 4, 2) float array
        Outer corners of the black borders in full-size px, in order around each tag.
    ids : sequence of int, optional
        Numbers of the tags, which tell what is printed behind the border; by default nothing.

    Returns
    -------
    EdgeProfiles
        Four edges a tag, without pixels where they lie outside the photo.
    """
    sums = np.zeros((len(corners_px) * 4, _BINS, 6))
    clipped = np.zeros((len(corners_px) * 4, _BINS, 3))
    for index, corners in enumerate(photo.to_working(corners_px)):
        _add_tag(
            photo, corners, sums[4 * index : 4 * index + 4], clipped[4 * index : 4 * index + 4]
        )
    # Small tags reach few bins; the empty ones at either end would only cost time.
    filled = np.flatnonzero(sums[..., 0].any(axis=0))
    used = slice(filled[0], filled[-1] + 1) if filled.size else slice(0, 1)
    sums, clipped = sums[:, used], clipped[:, used]
    count = sums[..., 0]
    mean = sums[..., 1:] / np.maximum(count, 1)[..., None]
    variance = np.maximum(mean[..., 4] - mean[..., 2] ** 2, 0) * count / np.maximum(count - 1, 1)
    return EdgeProfiles(
        tag=np.repeat(np.arange(len(corners_px)), 4),
        count=count,
        distance_px=mean[..., 0],
        linear_rgb=mean[..., 1:4],
        noise=np.sqrt(variance),
        clipped=clipped >= 0.1 * np.maximum(count, 1)[..., None],
        module_px=_module_px(photo.to_working(corners_px)),
        inner_white=np.zeros(len(count)) if ids is None else _inner_white(ids),
    )


def _module_px(corners: FloatArray) -> FloatArray:
    """(4 t,) width of a cell across each edge: an eighth of its two neighbours' mean length."""
    length = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    across = (np.roll(length, 1, axis=1) + np.roll(length, -1, axis=1)) / 2
    return np.asarray(across / TAG_CELLS).ravel()


def _inner_white(ids: Sequence[int]) -> FloatArray:
    """(4 t,) share of white beside the border, for the up, right, down and left edges."""
    shares = []
    for number in ids:
        payload = tag_cells(number)[1:-1, 1:-1]
        shares += [payload[0], payload[:, -1], payload[-1], payload[:, 0]]
    return np.array([share.mean() for share in shares])


def _add_tag(photo: Photo, corners: FloatArray, sums: FloatArray, clipped: FloatArray) -> None:
    rows, columns = photo.pixels.shape[:2]
    (ax, ay), (bx, by) = corners[1] - corners[0], corners[2] - corners[1]
    turn = np.sign(ax * by - ay * bx)
    for side, (first, second) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        along = second - first
        length = float(np.hypot(*along))
        normal = turn * np.array([along[1], -along[0]]) / length
        inner, outer = (min(_FARTHEST_PX, k * length) for k in (_INNER_REACH, _OUTER_REACH))
        ends = np.array([first - inner * normal, second + outer * normal])
        ends = np.concatenate([ends, [first + outer * normal, second - inner * normal]])
        low = np.maximum(np.floor(ends.min(axis=0)), 0).astype(int)
        high = np.minimum(np.ceil(ends.max(axis=0)) + 1, [columns, rows]).astype(int)
        if (high - low < 3).any():
            continue
        x = np.arange(low[0], high[0], dtype=np.float64) - first[0]
        y = np.arange(low[1], high[1], dtype=np.float64)[:, None] - first[1]
        distance = x * normal[0] + y * normal[1]
        place = x * (along[0] / length**2) + y * (along[1] / length**2)
        near = (abs(place - 0.5) < 0.5 - _TRIM) & (distance > -inner) & (distance < outer)
        box = photo.pixels[low[1] : high[1], low[0] : high[0]]
        _add_edge(distance[near], box[near], sums[side], clipped[side])


def _add_edge(
    distance: FloatArray, levels: npt.NDArray[np.uint8], sums: FloatArray, clipped: FloatArray
) -> None:
    index = ((distance + _FARTHEST_PX) / _BIN_PX).astype(int)
    linear = LINEAR_OF_LEVEL[levels]
    columns = [np.ones_like(distance), distance, *linear.T, linear[:, 1] ** 2]
    for column, values in enumerate(columns):
        sums[:, column] = np.bincount(index, weights=values, minlength=_BINS)
    for channel in range(3):
        over = levels[:, channel] >= CLIPPED_LEVEL
        clipped[:, channel] = np.bincount(index, weights=over, minlength=_BINS)


def fit_steps(
    profiles: EdgeProfiles,
    *,
    channel: int = 1,
    shift_known: bool = False,
    sigma_px: FloatArray | None = None,
) -> StepFits:
    """Fit a blurred step to one channel of every edge by Gauss-Newton.

    Bins in which the photo's range cut pixels off are left out, so that a clipped white is
    told from the foot of its own step; that needs an edge whose place is known.

    Parameters
    ----------
    profiles : EdgeProfiles
    channel : int
        0 red, 1 green, 2 blue.
    shift_known : bool
        Whether the steps lie exactly at the given edges; by default the shift is fitted too.
    sigma_px : (e,) float array, optional
        The blur, where another channel has told it; NaN for no step.

    Returns
    -------
    StepFits
        NaN for edges that show no step from dark to light.
    """
    value = profiles.linear_rgb[..., channel]
    kept = (profiles.count >= 2) & ~profiles.clipped[..., channel]
    counted = np.where(kept, profiles.count, 0.0)
    total = np.maximum(counted.sum(axis=1), 1)
    darkest = np.where(kept, value, np.inf).min(axis=1)
    brightest = np.where(kept, value, -np.inf).max(axis=1)
    usable = (kept.sum(axis=1) >= _FEWEST_BINS) & (brightest > 1.5 * darkest + 0.01)
    cut = profiles.clipped[..., channel].any(axis=1)
    # A white beyond the range is approached from above: from below the fit stalls there.
    white = np.where(cut, _BEYOND_RANGE * brightest, brightest)
    guess = np.stack([darkest, white, 0 * total, 0 * total + np.log(0.7)], axis=1)
    if sigma_px is not None:
        usable &= np.isfinite(sigma_px)
        guess[usable, 3] = np.log(sigma_px[usable])
    guess[~usable] = [0.0, 1.0, 0.0, 0.0]
    free = [0, 1] + [2] * (not shift_known) + [3] * (sigma_px is None)
    linear = free == [0, 1]
    largest_change = np.inf if linear else 0.5
    for _ in range(1 if linear else _ITERATIONS):
        step, slope = _step_and_slope(profiles, guess)
        weight = np.where(profiles.distance_px < _quiet_reach(profiles, guess), counted, 0.0)
        rows = slope[..., free]
        normal = np.einsum("ebi,ebj,eb->eij", rows, rows, weight)
        normal += 1e-6 * total[:, None, None] * np.eye(len(free))
        pull = np.einsum("ebi,eb,eb->ei", rows, weight, value - step)
        change = np.linalg.solve(normal, pull[..., None])[..., 0]
        guess[:, free] += np.clip(change, -largest_change, largest_change)
        guess[:, 2] = np.clip(guess[:, 2], -_FARTHEST_PX, _FARTHEST_PX)
        guess[:, 3] = np.clip(guess[:, 3], np.log(0.1), np.log(_FARTHEST_PX))
        if abs(change[usable]).max(initial=0.0) < _SETTLED:
            break
    step, _ = _step_and_slope(profiles, guess)
    contrast = guess[:, 1] - guess[:, 0]
    misfit = np.sqrt((weight * (value - step) ** 2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1))
    usable &= contrast > 0.02
    black, white, shift, log_sigma = np.where(usable[:, None], guess, np.nan).T
    return StepFits(
        np.exp(log_sigma), shift, black, white, misfit / np.where(usable, contrast, np.nan)
    )


def _quiet_reach(profiles: EdgeProfiles, guess: FloatArray) -> FloatArray:
    """(e, 1) distance up to which what lies beyond the quiet zone is not blurred in."""
    sigma = np.exp(guess[:, 3])
    quiet = profiles.module_px * TAG_CELLS * QUIET_ZONE_MM / TAG_EDGE_MM
    return np.asarray(np.maximum(quiet - 2 * sigma, sigma)[:, None])


def _step_and_slope(profiles: EdgeProfiles, guess: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Model at every bin and its slopes by black, white, shift and log sigma.

    Behind the border the printed row is white in part: a second step, one cell further in.
    """
    black, white, shift, log_sigma = guess.T[..., None]
    sigma = np.exp(log_sigma)
    z = (profiles.distance_px - shift) / sigma
    inner = (profiles.distance_px - shift + profiles.module_px[:, None]) / sigma
    share = profiles.inner_white[:, None]
    rise = normal_cdf(z) + share * (1 - normal_cdf(inner))
    density, inner_density = (np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi) for x in (z, inner))
    contrast = white - black
    by_shift = -contrast * (density - share * inner_density) / sigma
    by_log_sigma = -contrast * (density * z - share * inner_density * inner)
    return black + contrast * rise, np.stack([1 - rise, rise, by_shift, by_log_sigma], axis=-1)


def normal_cdf(z: FloatArray) -> FloatArray:
    """Standard normal distribution function to 1.5e-7 / 2.

    Abramowitz and Stegun (1964), Handbook of Mathematical Functions, 7.1.26.
    """
    x = abs(z) / np.sqrt(2)
    t = 1 / (1 + 0.3275911 * x)
    poly = t * (
        0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))
    )
    upper = 0.5 * poly * np.exp(-(x**2))
    return np.asarray(np.where(z > 0, 1 - upper, upper))
