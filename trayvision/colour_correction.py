"""The light on a tray, read from the kit's white and black, and its removal from the colours.

All arithmetic is in linear light (IEC 61966-2-1). Paper white lies on every bar and around
every tag; it is the one surface in the photo whose colour is known, and only its neutrality is
used: a home printer's other colours are no standard.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import (
    LINEAR_OF_LEVEL,
    LUMINANCE_WEIGHTS,
    distance_from_white_locus,
    linear_to_srgb,
    linear_to_xy,
)
from trayvision.kit_white import WhiteCells, tag_black, white_cells
from trayvision.photo import Photo
from trayvision.quality_flags import Doubt
from trayvision.tray_pose import TrayPose

FloatArray = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

# Paper white becomes sRGB 225: light enough to use the range, with room for glints above it.
WHITE_TARGET: Final = 0.75
# Share of paper white that a printed black still reflects.
_INK_SHARE: Final = 0.05
# Prior standard deviations of the log illumination's terms 1, u, v, uv, u2, v2, with u and v
# the tray's coordinates over its half length and half width: a lamp over one side doubles the
# light there, and what the whites do not show (u2 lies between the bars) stays this uncertain.
_LEVEL_PRIOR: Final = np.array([10.0, 0.4, 0.3, 0.15, 0.12, 0.12])
_CHROMA_PRIOR: Final = np.array([10.0, 0.05, 0.05, 0.02, 0.02, 0.02])
# Standard uncertainty of one cell's log level and log chroma: print, gloss, curl, JPEG.
_CELL_LEVEL: Final = 0.04
_CELL_CHROMA: Final = 0.012
_CLIPPED_LEVEL: Final = 0.25
_CLIPPED_CHROMA: Final = 0.10
# The head leans towards the lamps, up to a third more or less light falls on it.
_HEAD_LEVEL: Final = 0.30
_HEAD_CHROMA: Final = 0.03
# What no number of cells averages out: papers differ in white, shoots stand above the rim.
_LEVEL_FLOOR: Final = 0.05
_CHROMA_FLOOR: Final = 0.012
_UNSEEN_LEVEL: Final = 0.40
_UNSEEN_CHROMA: Final = 0.12

_COLOURED_DUV: Final = 0.02
_REDDEST_BLUE_TO_RED: Final = 0.12
_MIXED_LOG_CHROMA: Final = 0.10
_UNEVEN: Final = 0.8
_DIM_WHITE: Final = 0.12
_CLIPPED_SHARE: Final = 0.25
# Bands this high stay in the processor's cache, which halves the time.
_BAND_ROWS: Final = 48


@dataclass(frozen=True)
class Light:
    """The light that fell on one tray, and how well it is known.

    Parameters
    ----------
    gains : (3,) float array
        Factors that bring linear R, G, B of the kit's white, at the tray's centre and above
        `black`, to `WHITE_TARGET`. Ones when no white was seen.
    black : (3,) float array
        Linear veil (haze, stray light) to be subtracted first.
    field : (6, 3) float array
        Log illumination per channel relative to the tray's centre: factors of 1, u, v, uv,
        u2, v2 with u = x / (length / 2), v = y / (width / 2). The first row is zero.
    half_size_mm : (2,) float array
        Half length and half width of the tray; ones without a pose.
    level_uncertainty, chroma_uncertainty : float
        Standard uncertainty of the log of the common gain at the tray's centre, and of the
        log ratio of the red or blue gain to the green one.
    unevenness : float
        (Largest - smallest) / mean illumination over the opening.
    white_linear : (3,) float array
        Linear RGB of the white at the tray's centre as photographed; NaN when not seen.
    duv : float
        Signed distance of the white from the black-body locus in CIE 1960 (u, v); NaN when
        no white was seen. Pink and purple lights lie far below zero.
    clipped_share : float
        Share of the white cells whose brightness the photo's range cut off.
    seen_white_px : int
    doubts : tuple of Doubt
    """

    gains: FloatArray
    black: FloatArray
    field: FloatArray
    half_size_mm: FloatArray
    level_uncertainty: float
    chroma_uncertainty: float
    unevenness: float
    white_linear: FloatArray
    duv: float
    clipped_share: float
    seen_white_px: int
    doubts: tuple[Doubt, ...]

    @property
    def coloured(self) -> bool:
        """Whether the light is no white light."""
        return Doubt.COLOURED_LIGHT in self.doubts

    @property
    def white_point_xy(self) -> tuple[float, float] | None:
        """CIE 1931 chromaticity of the kit's white as photographed, None when not seen."""
        return linear_to_xy(self.white_linear) if self.seen_white_px else None

    def illumination_at(self, xy_mm: FloatArray) -> FloatArray:
        """Illumination relative to the tray's centre at tray points; (..., 2) to (..., 3)."""
        return np.exp(_terms(xy_mm / self.half_size_mm) @ self.field)


def measure_light(photo: Photo, pose: TrayPose | None) -> Light:
    """Read the light on a tray from the whites of its kit that the photo shows.

    The log illumination is fitted with a low-order polynomial over the tray by robust Bayesian
    least squares: terms that the seen whites do not carry keep their prior, zero, and their
    prior's uncertainty. Clipped whites and the head enter with wide uncertainties, so that
    they count only where nothing better was seen.

    Parameters
    ----------
    photo : Photo
    pose : TrayPose or None
        None for a photo without the kit: gains of one and the doubt `NO_WHITE`.

    Returns
    -------
    Light
    """
    grey = (Doubt.GREYSCALE,) if _is_greyscale(photo.pixels) else ()
    if pose is None:
        return _unseen(np.ones(2), grey)
    half = np.array([pose.size.length_mm, pose.size.width_mm]) / 2
    cells = white_cells(photo, pose)
    if cells.seen_px == 0:
        return _unseen(half, grey)
    field, level_std, chroma_std = _fit(cells, half)
    white = np.exp(field[0])
    black = _veil(photo, tag_black(photo, pose), white)
    field[0] = 0.0
    unevenness = _unevenness(field)
    duv = distance_from_white_locus(linear_to_xy(white))
    clipped_share = float(cells.clipped.mean())
    return Light(
        gains=WHITE_TARGET / (white - black),
        black=black,
        field=field,
        half_size_mm=half,
        level_uncertainty=float(np.hypot(level_std, _LEVEL_FLOOR)),
        chroma_uncertainty=float(np.hypot(chroma_std, _CHROMA_FLOOR)),
        unevenness=unevenness,
        white_linear=white,
        duv=duv,
        clipped_share=clipped_share,
        seen_white_px=cells.seen_px,
        doubts=grey + _doubts(white, duv, clipped_share, unevenness, field),
    )


def correct_colours(
    pixels: Pixels, light: Light, *, illumination: npt.NDArray[np.float32] | None = None
) -> Pixels:
    """Colours as they would be under even light in which the kit's white is neutral.

    Parameters
    ----------
    pixels : (h, w, 3) uint8 array
        sRGB pixels of the photo, RGB order.
    light : Light
    illumination : (rows, columns, 3) float32 array, optional
        Illumination relative to the tray's centre over the same area at any coarser
        resolution (`Light.illumination_at`), divided out; the veil is taken off first.

    Returns
    -------
    (h, w, 3) uint8 array
        sRGB; what would be brighter than the range is clipped.

    Raises
    ------
    ValueError
        If `pixels` is not (h, w, 3) of uint8.
    """
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3:
        raise ValueError(
            f"pixels must be an (h, w, 3) uint8 array, got {pixels.shape} of {pixels.dtype}"
        )
    linear = (LINEAR_OF_LEVEL[:, None] - light.black) * light.gains
    table = np.rint(255 * linear_to_srgb(linear)).astype(np.uint8)
    corrected = cv2.LUT(pixels, table[:, None, :])
    if illumination is None:
        return np.asarray(corrected, dtype=np.uint8)
    return _divide(np.asarray(corrected, dtype=np.uint8), illumination)


def _divide(pixels: Pixels, illumination: npt.NDArray[np.float32]) -> Pixels:
    # sRGB is 1.055 x^(1/2.4) - 0.055 above its toe, so a factor in linear light is an affine
    # change of the encoded value: no decoding of every pixel is needed.
    factor = ((1.0 / illumination) ** (1 / 2.4)).astype(np.float32)
    offset = 255 * 0.055
    rows, columns = pixels.shape[:2]
    spread = _rows_of(factor, rows)
    divided = np.empty_like(pixels)
    for start in range(0, rows, _BAND_ROWS):
        band = slice(start, min(start + _BAND_ROWS, rows))
        size = (columns, band.stop - band.start)
        scale = cv2.resize(spread[band], size, interpolation=cv2.INTER_LINEAR)
        scaled = cv2.multiply(pixels[band], scale, dtype=cv2.CV_32F)
        cv2.addWeighted(scaled, 1, scale, offset, -offset, dst=divided[band], dtype=cv2.CV_8U)
    return divided


def _rows_of(coarse: npt.NDArray[np.float32], rows: int) -> npt.NDArray[np.float32]:
    size = (coarse.shape[1], rows)
    return np.asarray(cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _terms(uv: FloatArray) -> FloatArray:
    u, v = uv[..., 0], uv[..., 1]
    return np.stack([np.ones_like(u), u, v, u * v, u * u, v * v], axis=-1)


def _fit(cells: WhiteCells, half_size_mm: FloatArray) -> tuple[FloatArray, float, float]:
    """(6, 3) log illumination, and the standard uncertainties of level and chroma at the centre."""
    terms = _terms(cells.xy_mm / half_size_mm)
    log = np.log(cells.linear_rgb + 1e-4)
    # The channel that the photo's range cut off least carries the level.
    first = int(cells.clipped.mean(axis=0).argmin())
    head = max(int(cells.on_head.sum()), 1) ** 0.5  # one tilt: its error does not average out
    level, level_std = _robust_posterior(
        _Samples(
            terms,
            log[:, first],
            np.where(cells.on_head, _HEAD_LEVEL * head, _CELL_LEVEL),
            cells.clipped[:, first],
        ),
        _LEVEL_PRIOR,
    )
    field, chroma_std = np.repeat(level[:, None], 3, axis=1), 0.0
    for channel in {0, 1, 2} - {first}:
        sigma = np.where(cells.on_head, _HEAD_CHROMA * head, _CELL_CHROMA)
        clipped = cells.clipped[:, channel]
        unknown = cells.clipped[:, first]
        sigma = np.where(unknown, _CLIPPED_CHROMA * max(int(unknown.sum()), 1) ** 0.5, sigma)
        ratio, std = _robust_posterior(
            _Samples(terms, log[:, channel] - log[:, first], sigma, clipped & ~unknown),
            _CHROMA_PRIOR,
        )
        field[:, channel] += ratio
        chroma_std = max(chroma_std, std)
    return field, level_std, chroma_std


@dataclass(frozen=True)
class _Samples:
    """Values at cells, each with its standard uncertainty and whether it is a lower bound."""

    terms: FloatArray
    values: FloatArray
    sigma: FloatArray
    lower_bound: npt.NDArray[np.bool_]


def _robust_posterior(samples: _Samples, prior: FloatArray) -> tuple[FloatArray, float]:
    """Coefficients with a zero-mean normal prior, and the standard deviation of the first.

    Cauchy weights, scaled by each value's own uncertainty, take shadowed or soiled whites out.
    A lower bound pulls a fit that lies beneath it up, and hardly pulls down one above it.
    """
    coefficients: FloatArray = np.zeros(prior.size)
    coefficients[0] = np.percentile(samples.values, 75)
    loose = _CLIPPED_LEVEL * max(int(samples.lower_bound.sum()), 1) ** 0.5
    for _ in range(8):
        residual = samples.values - samples.terms @ coefficients
        sigma = np.where(samples.lower_bound & (residual < 0), loose, samples.sigma)
        robust = 1 / (sigma**2 * (1 + (residual / (2.4 * sigma)) ** 2))
        precision = (samples.terms.T * robust) @ samples.terms + np.diag(1 / prior**2)
        pull = samples.terms.T @ (robust * samples.values)
        coefficients = np.asarray(np.linalg.solve(precision, pull), dtype=np.float64)
    spread = float(np.sqrt(np.linalg.inv(precision)[0, 0]))
    if samples.lower_bound.mean() > 0.5:
        spread = float(np.hypot(spread, _CLIPPED_LEVEL))
    return coefficients, spread


def _veil(photo: Photo, black: FloatArray | None, white: FloatArray) -> FloatArray:
    """Linear light that haze adds everywhere: no more than the photo's own darkest pixels."""
    if black is None:
        return np.zeros(3)
    sparse = photo.pixels[::16, ::16].reshape(-1, 3)
    darkest = LINEAR_OF_LEVEL[np.percentile(sparse, 0.5, axis=0).astype(int)]
    return np.asarray(np.clip(np.minimum(black - _INK_SHARE * white, darkest), 0.0, 0.5 * white))


def _unevenness(field: FloatArray) -> float:
    across = np.linspace(-1.0, 1.0, 9)
    uv = np.stack(np.meshgrid(across, across), axis=-1)
    luminance = np.exp(_terms(uv) @ field) @ LUMINANCE_WEIGHTS
    return float(np.ptp(luminance) / luminance.mean())


def _doubts(
    white: FloatArray, duv: float, clipped_share: float, unevenness: float, field: FloatArray
) -> tuple[Doubt, ...]:
    corners = _terms(np.array([[-1.0, -1.0], [-1, 1], [1, -1], [1, 1]])) @ field
    chroma = corners[:, [0, 2]] - corners[:, [1]]
    coloured = abs(duv) > _COLOURED_DUV or white[2] < _REDDEST_BLUE_TO_RED * white[0]
    found = {
        Doubt.COLOURED_LIGHT: coloured,
        Doubt.MIXED_LIGHT: float(np.ptp(chroma, axis=0).max()) > _MIXED_LOG_CHROMA,
        Doubt.UNEVEN_LIGHT: unevenness > _UNEVEN,
        Doubt.CLIPPED: clipped_share > _CLIPPED_SHARE,
        Doubt.DIM: float(white @ LUMINANCE_WEIGHTS) < _DIM_WHITE,
    }
    return tuple(doubt for doubt, holds in found.items() if holds)


def _unseen(half_size_mm: FloatArray, doubts: tuple[Doubt, ...]) -> Light:
    return Light(
        gains=np.ones(3),
        black=np.zeros(3),
        field=np.zeros((6, 3)),
        half_size_mm=half_size_mm,
        level_uncertainty=_UNSEEN_LEVEL,
        chroma_uncertainty=_UNSEEN_CHROMA,
        unevenness=0.0,
        white_linear=np.full(3, np.nan),
        duv=float("nan"),
        clipped_share=0.0,
        seen_white_px=0,
        doubts=(*doubts, Doubt.NO_WHITE),
    )


def _is_greyscale(pixels: Pixels) -> bool:
    sparse = pixels[::8, ::8].reshape(-1, 3).astype(np.int16)
    return bool((np.ptp(sparse, axis=1) <= 2).mean() > 0.999)
