"""Intrinsics of the camera that took a photo: known, from EXIF, or assumed until estimated."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from math import isfinite
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.limits import impossible

FloatArray = npt.NDArray[np.float64]

NO_DISTORTION = (0.0, 0.0, 0.0, 0.0, 0.0)
ASPECT_TOLERANCE = 0.01
CALIBRATED_FOCAL_UNCERTAINTY = 0.002
# The 35 mm equivalent is rounded to whole millimetres and does not say whether it
# compares diagonals or long sides; the two differ by 4 % on a 4:3 sensor.
EXIF_FOCAL_UNCERTAINTY = 0.03
# Phone and room cameras look 50 to 85 degrees wide along the long side.
TYPICAL_FOCAL_PER_LONG_SIDE = 0.75
TYPICAL_FOCAL_UNCERTAINTY = 0.25
# Lens and sensor are not centred on each other, the less where the lens is stabilised.
TYPICAL_CENTRE_UNCERTAINTY = 0.01
# Of the long side, where a camera file does not say: eight photos of the calibration sheet, read to
# 0.3 px, leave 5 px of 1600.
CALIBRATED_CENTRE_UNCERTAINTY = 0.003

_NUMBERS = ("width", "height", "fx", "fy", "cx", "cy")
_UNCERTAINTIES = ("focal_relative_uncertainty", "centre_uncertainty_px")


class CameraSource(StrEnum):
    """Where the focal length comes from."""

    KNOWN = "known"
    EXIF = "exif"
    ESTIMATED = "estimated"


@dataclass(frozen=True)
class Camera:
    """Pinhole camera with the five-coefficient lens distortion of Brown (1966).

    Parameters
    ----------
    width, height : int
        Upright photo size in px to which the other numbers belong.
    fx, fy, cx, cy : float
        Focal lengths and principal point in px; pixel centres lie at integers.
    distortion : tuple of 5 float
        ``k1, k2, p1, p2, k3`` as OpenCV orders them.
    source : CameraSource
        Where the focal length comes from.
    focal_relative_uncertainty : float
        Standard uncertainty of the focal length as a share of it.
    centre_uncertainty_px : float
        Standard uncertainty of either coordinate of the principal point; exact unless it is said.

    Raises
    ------
    ValueError
        If a size or focal length is not positive or a number is not finite.
    """

    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, ...] = NO_DISTORTION
    source: CameraSource = CameraSource.KNOWN
    focal_relative_uncertainty: float = CALIBRATED_FOCAL_UNCERTAINTY
    centre_uncertainty_px: float = 0.01

    def __post_init__(self) -> None:
        for name in ("width", "height", "fx", "fy", *_UNCERTAINTIES):
            value = getattr(self, name)
            if not (isfinite(value) and value > 0):
                raise ValueError(f"camera {name} must be a positive number, got {value!r}")
        for name in ("cx", "cy"):
            if not isfinite(getattr(self, name)):
                raise ValueError(f"camera {name} must be finite, got {getattr(self, name)!r}")
        if len(self.distortion) != 5 or not all(isfinite(k) for k in self.distortion):
            raise ValueError(
                f"camera distortion must be five finite numbers k1, k2, p1, p2, k3, "
                f"got {self.distortion!r}"
            )

    @classmethod
    def typical(cls, width: int, height: int, *, focal_px: float | None = None) -> "Camera":
        """Camera of an uncalibrated photo, centred, from its EXIF focal length if it has one."""
        known = focal_px is not None
        focal = (
            focal_px if focal_px is not None else TYPICAL_FOCAL_PER_LONG_SIDE * max(width, height)
        )
        return cls(
            width,
            height,
            focal,
            focal,
            (width - 1) / 2,
            (height - 1) / 2,
            source=CameraSource.EXIF if known else CameraSource.ESTIMATED,
            focal_relative_uncertainty=EXIF_FOCAL_UNCERTAINTY
            if known
            else TYPICAL_FOCAL_UNCERTAINTY,
            centre_uncertainty_px=TYPICAL_CENTRE_UNCERTAINTY * max(width, height),
        )

    @classmethod
    def from_json(cls, text: str) -> "Camera":
        """Read the CAMERA.json form: width, height, fx, fy, cx, cy, distortion.

        `focal_relative_uncertainty` and `centre_uncertainty_px` may be added; without them the
        focal length is taken as known to 0.2 % and the principal point to 0.3 % of the long side.

        Raises
        ------
        ValueError
            If the text is no JSON object, or a field is missing, is not a number, is out of
            range, or makes a camera that cannot be.
        """
        try:
            fields = json.loads(text)
        except json.JSONDecodeError as error:
            raise ValueError(
                f"camera must be a JSON object, got text that is not: {error}"
            ) from None
        if not isinstance(fields, dict):
            raise ValueError(f"camera must be a JSON object, got {type(fields).__name__}")
        numbers = {name: _number(fields, name) for name in _NUMBERS}
        for name in ("width", "height"):
            if numbers[name] != int(numbers[name]):
                raise ValueError(f"camera {name} must be whole pixels, got {numbers[name]!r}")
        listed = fields.get("distortion", list(NO_DISTORTION))
        if not isinstance(listed, list) or len(listed) != 5:
            raise ValueError(
                f"camera distortion must list five numbers k1, k2, p1, p2, k3, got {listed!r}"
            )
        coefficients = {f"distortion[{i}]": value for i, value in enumerate(listed)}
        camera = cls(
            int(numbers["width"]),
            int(numbers["height"]),
            numbers["fx"],
            numbers["fy"],
            numbers["cx"],
            numbers["cy"],
            tuple(_number(coefficients, name) for name in coefficients),
            CameraSource.KNOWN,
            *_uncertainties(fields, max(numbers["width"], numbers["height"])),
        )
        broken = camera.impossible
        if broken is not None:
            raise ValueError(broken)
        return camera

    def to_json(self) -> str:
        """The CAMERA.json form with its uncertainties; `from_json` reads it back."""
        fields = {name: getattr(self, name) for name in _NUMBERS}
        known = {name: getattr(self, name) for name in _UNCERTAINTIES}
        return json.dumps({**fields, "distortion": list(self.distortion), **known})

    @property
    def impossible(self) -> str | None:
        """Why no camera can be like this, naming the field, or None."""
        return impossible(
            (self.width, self.height), (self.fx, self.fy), (self.cx, self.cy), self.distortion
        )

    @cached_property
    def matrix(self) -> FloatArray:
        """(3, 3) camera matrix in px."""
        return np.array([[self.fx, 0, self.cx], [0, self.fy, self.cy], [0, 0, 1]], dtype=np.float64)

    @cached_property
    def coefficients(self) -> FloatArray:
        """(5,) distortion coefficients as OpenCV takes them."""
        return np.array(self.distortion, dtype=np.float64)

    def adjusted(self, lens: FloatArray) -> "Camera":
        """The same camera after changes (3,) of log focal length, cx and cy."""
        factor = float(np.exp(lens[0]))
        return replace(
            self,
            fx=self.fx * factor,
            fy=self.fy * factor,
            cx=self.cx + float(lens[1]),
            cy=self.cy + float(lens[2]),
        )

    def scaled_to(self, width: int, height: int) -> "Camera":
        """The same camera for a photo of another size, or held upright instead of across.

        A swap of portrait and landscape is taken as the usual quarter turn of a phone
        (the sensor's left edge becomes the photo's top), which matters only for an
        off-centre principal point and for tangential distortion.

        Raises
        ------
        ValueError
            If the aspect ratio differs by more than one per cent either way round.
        """
        if width <= 0 or height <= 0:
            raise ValueError(f"photo size must be positive, got {width} x {height}")
        if _same_aspect(self.width, self.height, width, height):
            return self._resized(width, height)
        if _same_aspect(self.height, self.width, width, height):
            return self._quarter_turned()._resized(width, height)
        raise ValueError(
            f"camera is for {self.width} x {self.height} px and the photo has {width} x "
            f"{height} px: the aspect ratios must agree, so it was cropped or comes from "
            f"another camera"
        )

    def project(self, points: FloatArray) -> FloatArray:
        """Pixels (..., 2) of points (..., 3) in the camera's frame; NaN where not in front."""
        points = np.asarray(points, dtype=np.float64)
        # Not cv2.projectPoints, whose Python form always works out all derivatives as well.
        depth = np.where(points[..., 2] > 1e-6, points[..., 2], np.nan)
        x, y = points[..., 0] / depth, points[..., 1] / depth
        if any(self.distortion):
            x, y = self._distorted(x, y)
        return np.stack([self.fx * x + self.cx, self.fy * y + self.cy], axis=-1)

    def _distorted(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        k1, k2, p1, p2, k3 = self.distortion
        square = x * x + y * y
        radial = 1 + square * (k1 + square * (k2 + square * k3))
        return (
            x * radial + 2 * p1 * x * y + p2 * (square + 2 * x * x),
            y * radial + p1 * (square + 2 * y * y) + 2 * p2 * x * y,
        )

    def undistort(self, pixels: FloatArray) -> FloatArray:
        """Sight lines (..., 2) as x/z, y/z of pixels (..., 2): the inverse of `project`."""
        pixels = np.asarray(pixels, dtype=np.float64)
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-10)
        rays = cv2.undistortPoints(
            pixels.reshape(-1, 1, 2), self.matrix, self.coefficients, criteria=criteria
        )
        return np.asarray(rays, dtype=np.float64).reshape(pixels.shape)

    def _resized(self, width: int, height: int) -> "Camera":
        across, down = width / self.width, height / self.height
        return replace(
            self,
            width=width,
            height=height,
            fx=self.fx * across,
            fy=self.fy * down,
            cx=(self.cx + 0.5) * across - 0.5,
            cy=(self.cy + 0.5) * down - 0.5,
            centre_uncertainty_px=self.centre_uncertainty_px * max(across, down),
        )

    def _quarter_turned(self) -> "Camera":
        k1, k2, p1, p2, k3 = self.distortion
        return replace(
            self,
            width=self.height,
            height=self.width,
            fx=self.fy,
            fy=self.fx,
            cx=self.height - 1 - self.cy,
            cy=self.cx,
            distortion=(k1, k2, p2, -p1, k3),
        )


def _number(fields: Mapping[str, Any], name: str) -> float:
    value = fields.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        raise ValueError(f"camera {name} must be a finite number, got {value!r}")
    return float(value)


def _uncertainties(fields: Mapping[str, Any], long_side: float) -> tuple[float, float]:
    """Of the focal length, as a share, and of the principal point in px."""
    stated = {
        "focal_relative_uncertainty": CALIBRATED_FOCAL_UNCERTAINTY,
        "centre_uncertainty_px": CALIBRATED_CENTRE_UNCERTAINTY * long_side,
        **{name: fields[name] for name in _UNCERTAINTIES if fields.get(name) is not None},
    }
    return _number(stated, "focal_relative_uncertainty"), _number(stated, "centre_uncertainty_px")


def _same_aspect(width: int, height: int, other_width: int, other_height: int) -> bool:
    return abs(width * other_height / (height * other_width) - 1) <= ASPECT_TOLERANCE
