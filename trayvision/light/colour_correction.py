"""The light on a tray, read from the kit's white and black, and its removal from the colours.

All arithmetic is in linear light (IEC 61966-2-1). Paper white lies on every bar and around
every tag; it is the one surface in the photo whose colour is known, and only its neutrality is
used: a home printer's other colours are no standard.
"""

from collections.abc import Callable, Sequence
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
from trayvision.light.clipped_white import CHROMA_SIGMA, LEVEL_SIGMA, whites_beyond_range
from trayvision.light.illumination_field import IlluminationField, fit_field, flat_field
from trayvision.light.kit_surfaces import tag_black
from trayvision.light.kit_white import white_cells
from trayvision.measurement import Measurement
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt

FloatArray = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

# Paper white becomes sRGB 225: light enough to use the range, with room for glints above it.
WHITE_TARGET: Final = 0.75
# Share of paper white that a printed black still reflects.
_INK_SHARE: Final = 0.05
_LARGEST_VEIL: Final = 0.5
# What no number of cells averages out: papers differ in white, shoots stand above the rim.
_LEVEL_FLOOR: Final = 0.05
_CHROMA_FLOOR: Final = 0.012
_UNSEEN_LEVEL: Final = 0.40
_UNSEEN_CHROMA: Final = 0.12

# Whites of lamps lie within 0.006 of the locus and cameras' white balance leaves 0.01; what an
# uncertain white could explain by its log ratio of channels is taken off first.
_COLOURED_DUV: Final = 0.02
_DUV_PER_LOG_RATIO: Final = 0.055
_REDDEST_BLUE_TO_RED: Final = 0.06
_MIXED_LOG_CHROMA: Final = 0.12
_UNEVEN: Final = 0.7
_DIM_WHITE: Final = 0.30
_CLIPPED_SHARE: Final = 0.25
# Bands this high stay in the processor's cache, which halves the time.
_BAND_ROWS: Final = 48


@dataclass(frozen=True, eq=False)
class Light:
    """The light that fell on one tray, and how well it is known.

    Parameters
    ----------
    gains : (3,) float array
        Factors that bring linear R, G, B of the kit's white, at the tray's centre and above
        `black`, to `WHITE_TARGET`. Ones when no white was seen.
    black : (3,) float array
        Linear veil (haze, stray light) to be subtracted first.
    field : IlluminationField
        The light over the tray.
    level_uncertainty, chroma_uncertainty : float
        Standard uncertainty of the log of the common gain at the tray's centre, and of the
        log ratio of the red or blue gain to the green one.
    white_linear : (3,) float array
        Linear RGB of the white at the tray's centre as photographed, above 1 where it was
        clipped; NaN when not seen.
    duv : float
        Signed distance of the white from the black-body locus in CIE 1960 (u, v); NaN when
        no white was seen. Pink and purple lights lie far below zero.
    clipped_share : float
        Share of the white cells whose brightness the photo's range cut off.
    seen_white_px : int
        Working pixels that were taken for white.
    doubts : tuple of Doubt
        Any of `COLOURED_LIGHT`, `MIXED_LIGHT`, `UNEVEN_LIGHT`, `CLIPPED`, `DIM`, `NO_WHITE`,
        `GREYSCALE`.
    """

    gains: FloatArray
    black: FloatArray
    field: IlluminationField
    level_uncertainty: float
    chroma_uncertainty: float
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
    def white_seen(self) -> bool:
        """Whether the colours are corrected by a white of the kit."""
        return Doubt.NO_WHITE not in self.doubts

    @property
    def white_point_xy(self) -> tuple[float, float] | None:
        """CIE 1931 chromaticity of the kit's white as photographed, None when not seen."""
        return linear_to_xy(self.white_linear) if self.white_seen else None

    @property
    def white_point_uncertainty_xy(self) -> tuple[float, float] | None:
        """Standard uncertainties of `white_point_xy`: of its fit, and of papers' own whites."""
        if not self.white_seen:
            return None
        x, y = self._spread(linear_to_xy)
        return x, y

    @property
    def duv_uncertainty(self) -> float:
        """Standard uncertainty of `duv`; NaN when no white was seen."""
        return self._spread(lambda white: [distance_from_white_locus(linear_to_xy(white))])[0]

    @property
    def unevenness(self) -> Measurement:
        """(Largest - smallest) / mean illumination over the opening."""
        if not self.white_seen:
            return Measurement.unknown("1", Doubt.NO_WHITE)
        return self.field.unevenness

    def _spread(self, tells: Callable[[FloatArray], Sequence[float]]) -> list[float]:
        """What the log ratios of red and blue to green leave open of what a white tells."""
        steps = self.chroma_uncertainty * np.array([[1.0, 0, 0], [0, 0, 1]])
        more, less = (
            np.array([tells(self.white_linear * np.exp(sign * step)) for step in steps])
            for sign in (1, -1)
        )
        return list(map(float, np.hypot(*(more - less) / 2)))

    def illumination_at(self, xy_mm: FloatArray) -> FloatArray:
        """Illumination relative to the tray's centre at tray points; (..., 2) to (..., 3)."""
        return self.field.relative_at(xy_mm)


def measure_light(photo: Photo, pose: TrayPose | None) -> Light:
    """Read the light on a tray from the whites of its kit that the photo shows.

    Parameters
    ----------
    photo : Photo
    pose : TrayPose or None
        None for a photo without the kit: gains of one and the doubt `NO_WHITE`.

    Returns
    -------
    Light
        Gains of one, with wide uncertainties and `NO_WHITE`, when no white could be made out.
    """
    grey = tuple(doubt for doubt in photo.doubts if doubt is Doubt.GREYSCALE)
    if pose is None:
        return _unseen(np.ones(2), grey)
    half = np.array([pose.size.length_mm, pose.size.width_mm]) / 2
    cells = white_cells(photo, pose)
    if cells.seen_px == 0:
        return _unseen(half, grey)
    clipped_share = float(cells.clipped.any(axis=1).mean())
    clipped = clipped_share > _CLIPPED_SHARE
    if clipped:
        cells = cells.joined(whites_beyond_range(photo, pose))
    field = fit_field(cells, half)
    white = np.exp(field.log_white)
    beyond = max(float(white.max()), 1.0) if clipped else 0.0
    black = _veil(photo, tag_black(photo, pose), white)
    duv = distance_from_white_locus(linear_to_xy(white))
    return Light(
        gains=WHITE_TARGET / (white - black),
        black=black,
        field=field,
        level_uncertainty=float(
            np.linalg.norm([field.level_uncertainty, _LEVEL_FLOOR, beyond * LEVEL_SIGMA])
        ),
        chroma_uncertainty=float(
            np.linalg.norm([field.chroma_uncertainty, _CHROMA_FLOOR, beyond * CHROMA_SIGMA])
        ),
        white_linear=white,
        duv=duv,
        clipped_share=clipped_share,
        seen_white_px=cells.seen_px,
        doubts=grey + _doubts(white, duv, clipped_share, field),
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
        Illumination relative to the tray's centre (`Light.illumination_at`) on an even grid
        whose outer knots lie on the outer pixels' centres, divided out after the veil.

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
    corrected = np.asarray(cv2.LUT(pixels, table[:, None, :]), dtype=np.uint8)
    if illumination is not None:
        _divide_in_place(corrected, illumination)
    return corrected


def _divide_in_place(pixels: Pixels, illumination: npt.NDArray[np.float32]) -> None:
    # sRGB is 1.055 x^(1/2.4) - 0.055 above its toe, so a factor in linear light is an affine
    # change of the encoded value: no decoding of every pixel is needed.
    offset = 255 * 0.055
    rows, columns = pixels.shape[:2]
    knots = (1.0 / illumination) ** (1 / 2.4)
    across = (_between_knots(columns, knots.shape[1]) @ knots).reshape(knots.shape[0], -1)
    down = _between_knots(rows, knots.shape[0])
    for start in range(0, rows, _BAND_ROWS):
        band = pixels[start : start + _BAND_ROWS]
        scale = (down[start : start + _BAND_ROWS] @ across).reshape(band.shape)
        scaled = cv2.multiply(band, scale, dtype=cv2.CV_32F)
        cv2.addWeighted(scaled, 1, scale, offset, -offset, dst=band, dtype=cv2.CV_8U)


def _between_knots(count: int, knots: int) -> npt.NDArray[np.float32]:
    """(count, knots) weights that spread values at even knots linearly over 0 to count - 1."""
    place = np.linspace(0, knots - 1, count)
    away = np.abs(place[:, None] - np.arange(knots))
    return np.asarray(np.clip(1 - away, 0, None), dtype=np.float32)


def _veil(photo: Photo, black: FloatArray | None, white: FloatArray) -> FloatArray:
    """Linear light that haze adds everywhere: no more than the photo's own darkest pixels.

    It has the colour of the light. Judged channel by channel it would take blue from a photo
    full of leaves, whose darkest pixels are dark in blue only.
    """
    if black is None:
        return np.zeros(3)
    sparse = photo.pixels[::16, ::16].reshape(-1, 3)
    darkest = LINEAR_OF_LEVEL[np.percentile(sparse, 0.5, axis=0).astype(int)]
    share = float((np.minimum(black - _INK_SHARE * white, darkest) / white).min())
    return min(max(share, 0.0), _LARGEST_VEIL) * white


def _doubts(
    white: FloatArray, duv: float, clipped_share: float, field: IlluminationField
) -> tuple[Doubt, ...]:
    sure = abs(duv) - 2 * _DUV_PER_LOG_RATIO * field.chroma_uncertainty
    coloured = sure > _COLOURED_DUV or white[2] < _REDDEST_BLUE_TO_RED * white[0]
    unevenness = field.unevenness.value or 0.0
    found = {
        Doubt.COLOURED_LIGHT: coloured,
        Doubt.MIXED_LIGHT: field.chroma_change > _MIXED_LOG_CHROMA,
        Doubt.UNEVEN_LIGHT: unevenness > _UNEVEN * (1 + 2 * field.level_uncertainty),
        Doubt.CLIPPED: clipped_share > _CLIPPED_SHARE,
        Doubt.DIM: float(white @ LUMINANCE_WEIGHTS) < _DIM_WHITE,
    }
    return tuple(doubt for doubt, holds in found.items() if holds)


def _unseen(half_size_mm: FloatArray, doubts: tuple[Doubt, ...]) -> Light:
    return Light(
        gains=np.ones(3),
        black=np.zeros(3),
        field=flat_field(half_size_mm, level=_UNSEEN_LEVEL, chroma=_UNSEEN_CHROMA),
        level_uncertainty=_UNSEEN_LEVEL,
        chroma_uncertainty=_UNSEEN_CHROMA,
        white_linear=np.full(3, np.nan),
        duv=float("nan"),
        clipped_share=0.0,
        seen_white_px=0,
        doubts=(*doubts, Doubt.NO_WHITE),
    )
