"""Which share of the height strip is seen at each height.

Two witnesses. Going down from the top, each band's colour is followed (the light changes at the
rim and towards the floor), and every pixel is asked whether it still looks like the strip: exact to
the pixel, but a root mat is as white as a white band, and in a blurred or foggy photo the bands
fade. And each edge between two bands is asked whether it is still there: light above dark or dark
above light, about as strong as the edges above it. No canopy has steps of the right sign at the
right heights, and fading moves no edge; but it is known only every 10 mm.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.reference_kit import STRIP_BAND_MM

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

# Of a rectified strip; row 0 lies at the tray floor.
PITCH_MM = 0.5
_BAND_ROWS = round(STRIP_BAND_MM / PITCH_MM)
# Share of the white-to-black contrast by which a strip pixel may miss its band's level.
_LEVEL_TOLERANCE = 0.36
# Chroma, of colours divided by the strip's own white, beyond which a pixel is no paper. Light
# that has passed through blades tints the paper green, so green is judged less strictly than
# the straw and root colours of the bed.
_GREEN_TOLERANCE = 0.20
_STRAW_TOLERANCE = 0.05
_LEAST_CONTRAST = 12.0
_FOLLOWING_SLACK = 1.5
_FOLLOWED_SHARE = 0.8
# How much the edges say beside the pixels, and from which share of the contrast of the edges above
# it an edge is one: chosen on five sets of rendered photos, 440 in all; with these every set is
# read better than by pixels alone, and no value tried near them is best on all.
_EDGES_WEIGHT = 0.4
_LEAST_EDGE, _MOST_EDGE = 0.5, 2.5
_EDGE_COLUMNS = 12
# An edge is followed slowly, and never further down than to this share of the upper edges.
_EDGE_FOLLOWED = 0.3
_LEAST_FOLLOWED = 0.25
_MOSTLY = 0.6
# Rows beside an edge that blur mixes with the other band, and up to which its bands are compared.
_MIXED_ROWS, _EDGE_REACH_ROWS = 2, 13
# Less of the uppermost 40 mm seen than this is no strip.
_LEAST_SEEN_AT_TOP = 0.4
# Correlation of the upper bands with black and white in turn at their heights: 0.87 and more in
# 143 rendered photos but one, whose pose was 4 mm off and whose bands gave 0.42.
_LEAST_CORRELATION = 0.8
_UPPER_BANDS = 8
# Blurs, in rows, whose difference shows kernels, roots and blades; how far below the canopy's
# edge they are looked for, and what of the edge itself is left out.
_DETAIL_ROWS = 2.0, 6.0
_LOOKED_AT_ROWS, _EDGE_ROWS = 40, 4
_FEWEST_ROWS = 8
# Root mean square of that difference over the level. Nothing less than 0.032 stands before the
# strip in those photos; behind a smear, or blurred by 2 mm and more, it is below 0.022.
_LEAST_DETAIL = 0.025
_DARK_LEVEL = 20.0
# Below the height at which the strip seems to end, the steps of the two nearest edges of bands over
# their own level, the weaker of the two as a share of the upper ones. Canopies reach 0.49 in 139
# rendered photos; where a shadow drawn over the strip took the height more than 10 mm off, it is
# 0.6 and more in 644 of 651.
_MOST_OF_A_STEP = 0.6
_NEAREST_EDGES = 2
_BESIDE_MM = 3.0
_DARK_STEP_LEVEL = 4.0


def seen_profile(view: Image) -> FloatArray | None:
    """Share of the strip that is seen at each millimetre of height.

    Parameters
    ----------
    view : (rows, columns, 3) float32 array
        The strip's face in its own plane, RGB 0 to 255; row 0 at the floor, `PITCH_MM` a pixel.

    Returns
    -------
    (n,) float array or None
        0 to 1, 1 where as much is seen as where nothing stands before it; None where no bands
        can be recognised, or not at their heights.
    """
    seen = _seen_pixels(view)
    if seen is None or _correlation(view.mean(axis=(1, 2))) < _LEAST_CORRELATION:
        return None
    by_pixels = seen.mean(axis=1).reshape(-1, round(1 / PITCH_MM)).mean(axis=1)
    if by_pixels[-40:].mean() < _LEAST_SEEN_AT_TOP:
        return None
    by_pixels = np.clip(by_pixels / max(float(np.median(by_pixels[-60:])), 0.5), 0, 1)
    edges = _seen_edges(view.mean(axis=2))
    middles_mm = np.arange(len(by_pixels)) + 0.5
    nearest = np.round(middles_mm / STRIP_BAND_MM).astype(int)
    # There is no edge at the floor: a bed below a white band looks like the lowest, black one.
    by_edges = np.where(nearest > 0, edges[np.minimum(nearest, len(edges) - 1)], by_pixels)
    return np.asarray((1 - _EDGES_WEIGHT) * by_pixels + _EDGES_WEIGHT * by_edges)


def stands_before(view: Image, height_mm: float) -> bool:
    """Whether what hides the strip below a height shows detail, as a canopy does.

    Blur or a smear on the lens takes bands and detail alike; then the height at which the bands
    end is none of the canopy's. Where hardly anything is hidden, nothing is asked.

    Parameters
    ----------
    view : (rows, columns, 3) float32 array
        As for `seen_profile`.
    height_mm : float
        Height above the floor below which the strip is hidden.
    """
    end = round(height_mm / PITCH_MM) - _EDGE_ROWS
    start = max(0, end + _EDGE_ROWS - _LOOKED_AT_ROWS)
    if end - start < _FEWEST_ROWS:
        return True
    level = view.mean(axis=2)
    fine, coarse = (cv2.GaussianBlur(level, (0, 0), rows)[start:end] for rows in _DETAIL_ROWS)
    detail = float(np.sqrt(np.mean((fine - coarse) ** 2)))
    return detail > _LEAST_DETAIL * (float(level[start:end].mean()) + _DARK_LEVEL)


def bands_go_on(view: Image, height_mm: float) -> bool:
    """Whether black and white still alternate below a height, only darker or paler.

    Then a shadow's edge or a stain ends there, and the strip is seen through it: the canopy is
    somewhere below. Where less than two edges of bands lie below, nothing is asked.

    Parameters
    ----------
    view : (rows, columns, 3) float32 array
        As for `seen_profile`.
    height_mm : float
        Height above the floor below which the strip is hidden.
    """
    level = view.mean(axis=(1, 2))
    bands = level.size // _BAND_ROWS
    rows = level[: bands * _BAND_ROWS].reshape(bands, _BAND_ROWS)
    above = rows[1:, _MIXED_ROWS:_EDGE_REACH_ROWS].mean(axis=1)
    below = rows[:-1, -_EDGE_REACH_ROWS:-_MIXED_ROWS].mean(axis=1)
    # Odd bands are white.
    signs = np.where(np.arange(1, bands) % 2, 1, -1)
    steps = signs * (above - below) / (above + below + _DARK_STEP_LEVEL)
    hidden = int((height_mm - _BESIDE_MM) // STRIP_BAND_MM)
    if hidden < _NEAREST_EDGES:
        return False
    upper = float(np.median(steps[-_UPPER_BANDS:]))
    return bool(steps[hidden - _NEAREST_EDGES : hidden].min() > _MOST_OF_A_STEP * upper)


def _correlation(level: Image) -> float:
    """Of the upper bands' rows with black and white in turn."""
    bands = level.size // _BAND_ROWS
    rows = np.arange((bands - _UPPER_BANDS) * _BAND_ROWS, bands * _BAND_ROWS)
    if np.ptp(level[rows]) == 0:
        return 0.0
    return float(np.corrcoef(level[rows], rows // _BAND_ROWS % 2)[0, 1])


def _seen_edges(level: Image) -> FloatArray:
    """Share of the strip's width in which each edge is seen; edge k is the lower one of band k."""
    bands = level.shape[0] // _BAND_ROWS
    parts = np.array_split(np.arange(level.shape[1]), _EDGE_COLUMNS)
    columns = np.stack([level[:, part].mean(axis=1) for part in parts], axis=1)
    rows = columns[: bands * _BAND_ROWS].reshape(bands, _BAND_ROWS, -1)
    above = rows[1:, _MIXED_ROWS:_EDGE_REACH_ROWS].mean(axis=1)
    below = rows[:-1, -_EDGE_REACH_ROWS:-_MIXED_ROWS].mean(axis=1)
    # Odd bands are white.
    steps = (above - below) * np.where(np.arange(1, bands) % 2, 1, -1)[:, None]
    upper = float(np.median(np.median(steps[-8:], axis=1)))
    shares, expected = np.ones(bands + 1), upper
    for edge in range(bands - 1, 0, -1):
        step = steps[edge - 1]
        is_edge = (step > _LEAST_EDGE * expected) & (step < _MOST_EDGE * expected)
        shares[edge] = is_edge.mean()
        if shares[edge] > _MOSTLY:
            followed = (1 - _EDGE_FOLLOWED) * expected
            followed += _EDGE_FOLLOWED * float(np.median(step[is_edge]))
            expected = max(followed, _LEAST_FOLLOWED * upper)
    return shares


def _seen_pixels(view: Image) -> npt.NDArray[np.bool_] | None:
    """Which pixels of the rectified strip show the strip itself; None if it has no bands."""
    band_rows = _BAND_ROWS
    bands = view.shape[0] // band_rows
    shape = (bands, band_rows, view.shape[1], 3)
    # Channel by channel: numpy is slow along a last axis of three.
    cells = np.ascontiguousarray(view[: bands * band_rows].reshape(shape).transpose(0, 3, 1, 2))
    inner = cells[:, :, 4:-4]
    top = range(bands - 8, bands)
    middle = {band: _median_colour(inner[band].reshape(3, -1)) for band in top}
    paper = _Paper(
        *(
            np.median([middle[band] for band in top if band % 2 == odd], axis=0)[:, None, None]
            for odd in (1, 0)
        )
    )
    if paper.contrast < _LEAST_CONTRAST:
        return None
    # The clear upper bands show how far noise alone carries paper from its own colour.
    upper = [paper.chroma_from(inner[band], band % 2 == 1) for band in top]
    noise = float(np.percentile(np.stack(upper), 90))
    full = np.empty(view.shape[:2], dtype=bool)
    seen = full[: bands * band_rows].reshape(shape[:3])
    for band in range(bands - 1, -1, -1):
        is_white = band % 2 == 1
        paper = paper.followed(inner[band], is_white, noise)
        seen[band] = paper.shows(cells[band], is_white, noise)
    full[bands * band_rows :] = full[bands * band_rows - 1]
    return full


def _median_colour(pixels: Image) -> Image:
    """(3,) median of (3, n), the upper one of an even count."""
    middle = pixels.shape[1] // 2
    return np.asarray(np.partition(pixels, middle, axis=1)[:, middle])


def _chroma(difference: Image) -> Image:
    red, green, blue = difference
    low, high = np.minimum(red, green), np.maximum(red, green)
    return np.asarray(np.maximum(high, blue) - np.minimum(low, blue))


@dataclass(frozen=True, eq=False)
class _Paper:
    """RGB (3, 1, 1) of the strip's white and black at one height; pixels are (3, h, w)."""

    white: Image
    black: Image

    @property
    def contrast(self) -> float:
        return float(np.mean(self.white - self.black))

    def _relative(self, pixels: Image, is_white: bool) -> Image:
        """Difference from the band's colour in shares of the contrast, channel by channel."""
        ink = self.white if is_white else self.black
        return np.asarray((pixels - ink) * (1 / np.maximum(self.white - self.black, 8)))

    def chroma_from(self, pixels: Image, is_white: bool) -> Image:
        return _chroma(self._relative(pixels, is_white))

    def shows(
        self, pixels: Image, is_white: bool, noise: float, slack: float = 1.0
    ) -> npt.NDArray[np.bool_]:
        """Which pixels are this paper's colour."""
        difference = self._relative(pixels, is_white)
        red, green, blue = difference
        greenish = (green >= red) & (green > blue)
        straw, leaf = (slack * (limit + noise) for limit in (_STRAW_TOLERANCE, _GREEN_TOLERANCE))
        chroma = _chroma(difference)
        level = np.abs(red + green + blue)
        return np.asarray(
            (level < 3 * _LEVEL_TOLERANCE * slack)
            & ((chroma < straw) | (greenish & (chroma < leaf)))
        )

    def followed(self, pixels: Image, is_white: bool, noise: float) -> "_Paper":
        """The paper as the next band shows it, if most of the band shows it at all.

        Gloss, the rim's shadow and light from coloured walls change it from band to band; a
        canopy that is no more like the paper than that would be followed too, so a step is
        kept small, and never brings white and black together.
        """
        like = self.shows(pixels, is_white, noise, _FOLLOWING_SLACK)
        if like.mean() < _FOLLOWED_SHARE:
            return self
        colour = _median_colour(pixels[:, like])[:, None, None]
        moved = _Paper(colour, self.black) if is_white else _Paper(self.white, colour)
        return moved if moved.contrast > _LEAST_CONTRAST else self
