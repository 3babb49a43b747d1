"""What each pixel of a photo shows: tray, bed, shoot, mould, kit or slime.

Small convolutional networks (`trayvision.segmentation.pixel_classes`) give every pixel the share
of each class. They never adapt to the photo at hand: the same colours in the same surroundings are
the same class on an empty tray and on a full one.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.light.colour_correction import Light, correct_colours
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.segmentation.leaf_green import shoot_share_by_colour
from trayvision.segmentation.pixel_classes import (
    CLASS_COUNT,
    FloatImage,
    RgbImage,
    TrayClass,
    tell_apart,
)

FloatArray = npt.NDArray[np.float64]

# A finer picture of a tray costs time and shows the network nothing it was trained to use.
FINEST_MM_PER_PX = 0.5
# The network holds 170 bytes a px of the crop, and takes as long over half a megapixel as the
# full decoding of a 12-megapixel photo. On 160 rendered trays of that size the second limit costs
# edges of blades (shoots reach 0.829; 0.841 at 760 000 px and 0.847 at the first limit), but finds
# as many patches of mould (63, 64 and 65 of 98) and tells cover no worse (0.0315, 0.0322, 0.0323).
MOST_CROP_PX = 1_100_000
MOST_CROP_PX_OF_LARGE = 480_000
# Whole photos have no scale; leaves and kernels are told apart well at this size.
WHOLE_PHOTO_LONG_SIDE = 1024
# Blades stand above the rim, and the walls below it matter for what the plastic looks like.
_ABOVE_RIM_MM = 40.0
_MARGIN_MM = 12.0
# A crop that lies straight along a slanted tray holds less of what is beside it: the network then
# sees the tray finer in the same time.
_WORTH_TURNING = 0.9
# A tray of fewer pixels across shows nothing.
_LEAST_SIDE_PX = 16


@dataclass(frozen=True, eq=False)
class ClassShares:
    """Shares of the classes over a crop of a photo.

    Shoots are told to the pixel, all else to blocks of 2 x 2 px, and is kept so: spread out,
    it would be four times as much to compute and to hold.

    Parameters
    ----------
    shoot : (h, w) float32 array
        Share of shoot, 0 to 1.
    among_others : (7, ceil(h / 2), ceil(w / 2)) float32 array
        Share of each `TrayClass` 0 to 6 in what is no shoot, summing to 1; 0 for shoot.
    pixels : (h, w, 3) uint8 array
        The crop as photographed, RGB.
    corrected : (h, w, 3) uint8 array
        The crop in corrected light, from which the shares were told.
    crop_to_working : (3, 3) float array
        Affine map of crop px to working px, pixel centres at whole numbers.
    photo_to_crop : (2, 3) float array
        Affine map of full-size photo px to crop px.
    """

    shoot: FloatImage
    among_others: FloatImage
    pixels: RgbImage
    corrected: RgbImage
    crop_to_working: FloatArray
    photo_to_crop: FloatArray

    @property
    def shape(self) -> tuple[int, int]:
        """(h, w) of the crop."""
        return self.shoot.shape

    @property
    def shares(self) -> FloatImage:
        """(7, h, w) share of each class at every pixel, summing to 1; worked out anew."""
        return np.stack([self.share(tray_class) for tray_class in list(TrayClass)[:CLASS_COUNT]])

    @property
    def classes(self) -> npt.NDArray[np.uint8]:
        """(h, w) the class with the largest share at each pixel."""
        return np.asarray(self.shares.argmax(axis=0), dtype=np.uint8)

    def share(self, tray_class: TrayClass) -> FloatImage:
        """(h, w) share of one class."""
        if tray_class == TrayClass.SHOOT:
            return self.shoot
        rows, columns = self.shape
        spread = self.among_others[tray_class].repeat(2, axis=0).repeat(2, axis=1)
        return np.asarray(spread[:rows, :columns] * (1 - self.shoot))


def segment(photo: Photo, light: Light, pose: TrayPose | None) -> ClassShares:
    """Tell the classes of a tray's surroundings in a photo, or of a whole photo.

    Parameters
    ----------
    photo : Photo
    light : Light
        What to correct the colours by.
    pose : TrayPose or None
        The tray: the crop is the bounding box of its opening, from the floor to a little above the
        rim (in large photos one that lies along a slanted tray), no finer than `FINEST_MM_PER_PX`
        and of at most `MOST_CROP_PX`, or `MOST_CROP_PX_OF_LARGE` where the photo was decoded at a
        reduced size. None takes the whole photo, its long side at most `WHOLE_PHOTO_LONG_SIDE` px;
        it may show any plant, so all networks tell every pixel of it, and what is as green as
        only leaves are (`trayvision.segmentation.leaf_green`).

    Raises
    ------
    ValueError
        If the tray lies outside the photo.
    """
    crop = _whole_photo(photo) if pose is None else _around_tray(photo, pose)
    pixels = crop.cut_from(photo.pixels)
    corrected = correct_colours(pixels, light)
    shoot, among_others = tell_apart(corrected, any_plant=pose is None)
    if pose is None:
        shoot = shoot_share_by_colour(corrected, shoot, among_others)
    return ClassShares(
        shoot=shoot,
        among_others=among_others,
        pixels=pixels,
        corrected=corrected,
        crop_to_working=crop.to_working,
        photo_to_crop=_photo_to_crop(photo, crop.to_working),
    )


def classify_pixels(rgb: RgbImage) -> FloatImage:
    """Share of each class at every pixel of a light-corrected picture.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
        sRGB, neutral surfaces neutral.

    Returns
    -------
    (7, h, w) float32 array
        Shares of `TrayClass` 0 to 6, summing to 1.

    Raises
    ------
    ValueError
        If `rgb` is no 8-bit colour picture, or is empty.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8 or rgb.size == 0:
        raise ValueError(
            f"rgb must be a non-empty (h, w, 3) uint8 array, got shape {rgb.shape} of {rgb.dtype}"
        )
    shoot, among_others = tell_apart(rgb)
    identity = np.eye(3)
    return ClassShares(shoot, among_others, rgb, rgb, identity, identity[:2]).shares


@dataclass(frozen=True, eq=False)
class _Crop:
    """A crop of working px: (left, top, right, bottom) of the `window` that holds it, its (w, h)
    `size`, how many working px one of its px is wide (`shrink`), and its place in the photo, a
    (3, 3) affine map of px `to_working` px; it may be `turned` in the window.
    """

    window: tuple[int, int, int, int]
    size: tuple[int, int]
    shrink: float
    to_working: FloatArray
    turned: bool

    @classmethod
    def upright(cls, window: tuple[int, int, int, int], shrink: float) -> "_Crop":
        """All of a window."""
        left, top, right, bottom = window
        width = max(1, round((right - left) / shrink))
        height = max(1, round((bottom - top) / shrink))
        step_x, step_y = (right - left) / width, (bottom - top) / height
        to_working = np.array(
            [
                [step_x, 0.0, left - 0.5 + step_x / 2],
                [0.0, step_y, top - 0.5 + step_y / 2],
                [0.0, 0.0, 1.0],
            ]
        )
        return cls(window, (width, height), shrink, to_working, turned=False)

    @classmethod
    def around(cls, window: tuple[int, int, int, int], box: "_TurnedBox", shrink: float) -> "_Crop":
        """A box that lies turned in its window."""
        width, height = (max(1, round(side / shrink)) for side in box.sides)
        right, down = shrink * box.right, shrink * box.down
        first = box.middle - right * (width - 1) / 2 - down * (height - 1) / 2
        to_working = np.eye(3)
        to_working[:2] = np.column_stack([right, down, first])
        return cls(window, (width, height), shrink, to_working, turned=True)

    def cut_from(self, pixels: RgbImage) -> RgbImage:
        """The crop of working pixels; black where a turned one leaves them."""
        left, top, right, bottom = self.window
        cut = pixels[top:bottom, left:right]
        if self.shrink > 1:
            # A quarter of the time of INTER_AREA; Gaussian as wide as in scikit-image's resize.
            cut = np.asarray(cv2.GaussianBlur(cut, (0, 0), (self.shrink - 1) / 2), dtype=np.uint8)
        if self.turned:
            from_window = self.to_working[:2].copy()
            from_window[:, 2] -= [left, top]
            how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            cut = np.asarray(cv2.warpAffine(cut, from_window, self.size, flags=how), dtype=np.uint8)
        elif self.shrink > 1:
            resized = cv2.resize(cut, self.size, interpolation=cv2.INTER_LINEAR)
            cut = np.asarray(resized, dtype=np.uint8)
        return np.ascontiguousarray(cut)


@dataclass(frozen=True, eq=False)
class _TurnedBox:
    """Rectangle of working px: its middle, unit steps (2,) to its right and down, and its sides."""

    middle: FloatArray
    right: FloatArray
    down: FloatArray
    sides: tuple[float, float]

    @classmethod
    def around(cls, points: FloatArray) -> "_TurnedBox":
        """The smallest around (n, 2) points, turned by at most 45 degrees."""
        (x, y), (width, height), degrees = cv2.minAreaRect(points.astype(np.float32))
        quarters = round(degrees / 90)
        sides = (width, height) if quarters % 2 == 0 else (height, width)
        angle = np.radians(degrees - 90 * quarters)
        right = np.array([np.cos(angle), np.sin(angle)])
        return cls(np.array([x, y]), right, np.array([-right[1], right[0]]), sides)

    @property
    def area(self) -> float:
        return self.sides[0] * self.sides[1]


def _whole_photo(photo: Photo) -> _Crop:
    height, width = photo.pixels.shape[:2]
    shrink = max(1.0, max(height, width) / WHOLE_PHOTO_LONG_SIDE)
    return _Crop.upright((0, 0, width, height), shrink)


def _around_tray(photo: Photo, pose: TrayPose) -> _Crop:
    """The crop around a tray's opening, turned with it where that spares pixels."""
    opening = pose.size.opening_mm
    grown = opening + np.sign(opening) * _MARGIN_MM
    heights = (-pose.size.depth_mm, 0.0, _ABOVE_RIM_MM)
    corners = np.concatenate([grown + [0.0, 0.0, z] for z in heights])
    points = photo.to_working(pose.project(corners))
    height, width = photo.pixels.shape[:2]
    low = np.floor(np.nanmin(points, axis=0)).astype(int)
    high = np.ceil(np.nanmax(points, axis=0)).astype(int) + 1
    left, top = max(0, int(low[0])), max(0, int(low[1]))
    right, bottom = min(width, int(high[0])), min(height, int(high[1]))
    if right - left < _LEAST_SIDE_PX or bottom - top < _LEAST_SIDE_PX:
        raise ValueError(f"pose must lie inside the photo, got a tray at {low} to {high} px")
    window, area = (left, top, right, bottom), float((right - left) * (bottom - top))
    most_px = MOST_CROP_PX if photo.reduction == 1 else MOST_CROP_PX_OF_LARGE
    finest = FINEST_MM_PER_PX / _bed_mm_per_px(photo, pose)
    shrink = max(1.0, finest, (area / most_px) ** 0.5)
    # What is not made smaller is not turned either: that would blur it.
    whole = np.isfinite(points).all() and (low >= 0).all() and (high <= [width, height]).all()
    if shrink > 1 and whole:
        box = _TurnedBox.around(points)
        if box.area < _WORTH_TURNING * area:
            return _Crop.around(window, box, max(1.0, finest, (box.area / most_px) ** 0.5))
    return _Crop.upright(window, shrink)


def _bed_mm_per_px(photo: Photo, pose: TrayPose) -> float:
    """Scale in the middle of the bed, in mm a working px."""
    middle = np.array([0.0, 0.0, -pose.size.depth_mm])
    distance_mm = float((pose.rotation @ middle + pose.translation_mm)[2])
    return distance_mm / (pose.camera.fx * photo.scale)


def _photo_to_crop(photo: Photo, crop_to_working: FloatArray) -> FloatArray:
    to_working = np.diag([photo.scale, photo.scale, 1.0])
    to_working[:2, 2] = photo.scale / 2 - 0.5
    return np.ascontiguousarray((np.linalg.inv(crop_to_working) @ to_working)[:2])
