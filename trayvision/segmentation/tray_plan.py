"""What a photo shows of one tray, laid out straight-down in millimetres at seed-bed height.

Cover, evenness, mould and slime are all read from this one plan, so that a place is judged
the same way by each of them.
"""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.light.colour_correction import Light, correct_colours
from trayvision.pose.rectification import PlanGrid, photo_map
from trayvision.pose.tray_pose import TrayPose
from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.segmentation import ClassShares

FloatImage = npt.NDArray[np.float32]

PLAN_MM_PER_PX = 1.0
# Beyond these a pixel says nothing about what lies there: glare burns every class to white,
# and in the deepest shadow noise and JPEG blocks are all there is.
_GLARE_LEVEL = 252
_SHADOW_LEVEL = 6
# From this share of what is no tray, nor on it, on.
_COVERED = 0.5
# Kernels, roots and blades are some millimetres wide and never lie so smooth: what differs between
# blurs of these two widths, over its surroundings, is 0.021 of their level and more wherever seed
# or shoots were told in 143 rendered photos without blur; cloth, a hand and plastic that pass for
# either, and what lies behind a smeared part of the lens, stay below.
_DETAIL_MM = 1.0, 3.0
_SURROUNDINGS_MM = 8.0
_AROUND_PX = 4
_LEAST_DETAIL = 0.015
# Noise of a dark surface is no detail.
_DARK_LEVEL = 20
# From this share on a place may be part of a patch, which is smooth.
_SIGN_OF_MOULD = 0.1


@dataclass(frozen=True)
class TrayPlan:
    """Class shares and colours of the opening, straight down at the bed's height.

    Parameters
    ----------
    grid : PlanGrid
        Raster over the opening, `PLAN_MM_PER_PX` a pixel; (rows, columns) below is its shape.
    shares : (7, rows, columns) float32 array
        Share of each `TrayClass` 0 to 6; sums to 1 where the photo reaches.
    colours : (rows, columns, 3) uint8 array
        Light-corrected sRGB.
    judged : (rows, columns) bool array
        False where the place lies outside the photo, behind the near wall, under an occluder,
        in glare or in deep shadow, or was told to be seed or shoots and is too smooth for them.
    zenith_tan : (rows, columns) float32 array
        Tangent of the angle between the line of sight and the vertical.
    z_mm : float
        Height of the plan in the tray frame.
    smooth_share : float
        Share of the opening that is not judged because it is too smooth.
    covered_share : float
        Share of the opening that is not judged because something lies over it.
    """

    grid: PlanGrid
    shares: FloatImage
    colours: npt.NDArray[np.uint8]
    judged: npt.NDArray[np.bool_]
    zenith_tan: FloatImage
    z_mm: float
    smooth_share: float = 0.0
    covered_share: float = 0.0

    @cached_property
    def classes(self) -> npt.NDArray[np.uint8]:
        """(rows, columns) most likely `TrayClass`, `CANNOT_TELL` where nothing was judged."""
        winner = self.shares.argmax(axis=0).astype(np.uint8)
        return np.where(self.judged, winner, np.uint8(TrayClass.CANNOT_TELL))

    @property
    def seen(self) -> float:
        """Share of the opening that could be judged."""
        return float(self.judged.mean())

    def share(self, tray_class: TrayClass) -> FloatImage:
        """(rows, columns) share of one class."""
        return self.shares[tray_class]  # type: ignore[no-any-return]


def lay_out_tray(
    pose: TrayPose, segmented: ClassShares, light: Light, *, bed_height_mm: float
) -> TrayPlan:
    """Lay the segmented photo out over the tray opening at the bed's height.

    Parameters
    ----------
    pose : TrayPose
    segmented : ClassShares
        Class shares on a crop of the photo.
    light : Light
        Its unevenness over the tray is taken out of the plan's colours.
    bed_height_mm : float
        Height of the seed bed's surface above the tray floor.
    """
    grid = PlanGrid.over(pose.size, PLAN_MM_PER_PX)
    z_mm = bed_height_mm - pose.size.depth_mm
    map_x, map_y = photo_map(pose, grid, z_mm, segmented.photo_to_crop)
    shares = _sample_shares(segmented, map_x, map_y)
    raw = _sample_pixels(segmented.pixels, map_x, map_y)
    rows, columns = segmented.shape
    judged = (map_x >= 0) & (map_x <= columns - 1) & (map_y >= 0) & (map_y <= rows - 1)
    judged &= ~_behind_near_wall(pose, grid, z_mm)
    covered = judged & (shares[TrayClass.OUTSIDE] >= _COVERED)
    judged &= judgeable(raw, shares[TrayClass.OUTSIDE])
    colours = correct_colours(raw, light, illumination=_illumination(light, grid))
    smooth = judged & _too_smooth(colours, shares)
    return TrayPlan(
        grid,
        shares,
        colours,
        judged & ~smooth,
        _zenith_tan(pose, grid, z_mm),
        z_mm,
        float(smooth.mean()),
        float(covered.mean()),
    )


def whole_photo_plan(segmented: ClassShares) -> TrayPlan:
    """The plan of a photo without a kit: the frame is the opening, a pixel counts as 1 mm.

    Lengths read from this plan are pixels of the segmented crop, and must be said to be.
    """
    rows, columns = segmented.shape
    return TrayPlan(
        PlanGrid(float(columns), float(rows), 1.0),
        segmented.shares,
        segmented.corrected,
        judgeable(segmented.pixels, segmented.share(TrayClass.OUTSIDE)),
        np.zeros((rows, columns), dtype=np.float32),
        0.0,
    )


def judgeable(pixels: npt.NDArray[np.uint8], outside: FloatImage) -> npt.NDArray[np.bool_]:
    """(rows, columns) pixels that are no occluder, no glare and no deep shadow.

    Parameters
    ----------
    pixels : (rows, columns, 3) uint8 array
        As photographed.
    outside : (rows, columns) float32 array
        Share of `TrayClass.OUTSIDE`.
    """
    red, green, blue = cv2.split(pixels)
    clear = cv2.min(cv2.min(red, green), blue) < _GLARE_LEVEL
    clear &= cv2.max(cv2.max(red, green), blue) > _SHADOW_LEVEL
    return np.asarray(clear & (outside < _COVERED))


def _too_smooth(colours: npt.NDArray[np.uint8], shares: FloatImage) -> npt.NDArray[np.bool_]:
    """Places told to be seed or shoots that show no detail of either.

    Mould may be as smooth as it likes, and bare floor is.
    """
    grown = shares[TrayClass.BED] + shares[TrayClass.SHOOT] > 0.5
    grown &= shares[TrayClass.MOULD] < _SIGN_OF_MOULD
    level = cv2.cvtColor(colours, cv2.COLOR_RGB2GRAY).astype(np.float32)
    fine, coarse = (cv2.GaussianBlur(level, (0, 0), mm / PLAN_MM_PER_PX) for mm in _DETAIL_MM)
    detail = _around(cv2.pow(fine - coarse, 2))
    least = _LEAST_DETAIL * (_around(coarse) + _DARK_LEVEL)
    return np.asarray(grown & (detail < cv2.pow(least, 2)))


def _around(values: npt.NDArray[np.generic]) -> FloatImage:
    """Weighted mean of each place's surroundings.

    So slow a change is told as well by a picture a quarter as wide, in far less time.
    """
    rows, columns = values.shape
    size = (-(-columns // _AROUND_PX), -(-rows // _AROUND_PX))
    small = cv2.resize(values.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    sigma_px = _SURROUNDINGS_MM / PLAN_MM_PER_PX / _AROUND_PX
    blurred = cv2.GaussianBlur(small, (0, 0), sigma_px)
    smooth = cv2.resize(blurred, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(smooth, dtype=np.float32)


def _illumination(light: Light, grid: PlanGrid) -> FloatImage:
    x = np.linspace(-grid.length_mm / 2, grid.length_mm / 2, 9)
    y = np.linspace(grid.width_mm / 2, -grid.width_mm / 2, 5)
    return light.illumination_at(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)


def _sample_shares(segmented: ClassShares, map_x: FloatImage, map_y: FloatImage) -> FloatImage:
    sampled = np.empty((len(segmented.among_others), *map_x.shape), dtype=np.float32)
    # A block's centre lies half a pixel from its first pixel.
    blocks = (map_x - 0.5) / 2, (map_y - 0.5) / 2
    for share, target in zip(segmented.among_others, sampled, strict=True):
        cv2.remap(share, *blocks, cv2.INTER_LINEAR, dst=target, borderMode=cv2.BORDER_REPLICATE)
    shoot = cv2.remap(
        segmented.shoot, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    sampled *= 1 - shoot
    sampled[TrayClass.SHOOT] = shoot
    return sampled


def _sample_pixels(
    pixels: npt.NDArray[np.uint8], map_x: FloatImage, map_y: FloatImage
) -> npt.NDArray[np.uint8]:
    sampled = cv2.remap(pixels, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(sampled, dtype=np.uint8)


def _plan_mm(grid: PlanGrid) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    rows, columns = grid.shape
    x, _ = grid.to_mm(np.arange(columns, dtype=np.float64), np.zeros(1))
    _, y = grid.to_mm(np.zeros(1), np.arange(rows, dtype=np.float64))
    return x, y


def _behind_near_wall(pose: TrayPose, grid: PlanGrid, z_mm: float) -> npt.NDArray[np.bool_]:
    """Places at height `z_mm` whose line of sight enters below the rim outside the opening."""
    x, y = _plan_mm(grid)
    camera = pose.camera_position_mm
    toward = -z_mm / (camera[2] - z_mm)
    at_rim_x = x + (camera[0] - x) * toward
    at_rim_y = y + (camera[1] - y) * toward
    return np.asarray(
        (np.abs(at_rim_x)[None, :] > pose.size.length_mm / 2)
        | (np.abs(at_rim_y)[:, None] > pose.size.width_mm / 2)
    )


def _zenith_tan(pose: TrayPose, grid: PlanGrid, z_mm: float) -> FloatImage:
    x, y = _plan_mm(grid)
    camera = pose.camera_position_mm
    # Not np.hypot, which guards against overflow at ten times the time.
    square = ((x - camera[0]) ** 2)[None, :] + ((y - camera[1]) ** 2)[:, None]
    return np.asarray(np.sqrt(square) / (camera[2] - z_mm), dtype=np.float32)
