"""Drawn trays: each thing is seen where the camera's projection has it, the nearer one of two."""

from dataclasses import replace

import numpy as np
import pytest

from trayvision.camera.camera import Camera
from trayvision.synthetic.tray import DrawnTray, View, draw_photo

# Its rows are no multiple of what is painted at a time.
CAMERA = Camera(331, 243, 260.0, 262.0, 160.0, 118.0)
BENT = replace(CAMERA, distortion=(-0.15, 0.04, 0.001, -0.001, 0.0))
SLANTED = View.looking_at((-500.0, -20.0, 300.0), (0.0, 0.0, 0.0))
WHITE = (225, 225, 225)
BACKGROUND = (20, 60, 200)


@pytest.mark.parametrize("camera", [CAMERA, BENT], ids=["plain lens", "barrel distortion"])
@pytest.mark.parametrize("green_mm", [20.0, 90.0], ids=["below the rim", "above the rim"])
def test_each_thing_is_seen_at_its_projection(camera: Camera, green_mm: float) -> None:
    tray = DrawnTray(31, cover=1.0, canopy_height_mm=green_mm)
    pixels = draw_photo([(tray, SLANTED)], camera, background=BACKGROUND, blur_px=0.0, noise=0.0)
    canopy_z_mm = green_mm - tray.size.depth_mm
    for point, colour in (
        ((-220.0, 0.0, 0.0), WHITE),
        ((60.0, 30.0, canopy_z_mm), tray.green),
        ((-260.0, 40.0, 0.0), BACKGROUND),
        # By hand: its line of sight passes 310 * 300 / 330 = 282 mm from the camera through the
        # rim's plane, 218 mm before the middle, where the bar is.
        *([((-190.0, 0.0, -30.0), WHITE)] if canopy_z_mm == -30.0 else []),
    ):
        x, y = np.rint(SLANTED.project(camera, np.array(point))).astype(int)
        seen = pixels[y - 1 : y + 2, x - 1 : x + 2].reshape(-1, 3).mean(axis=0)
        # The canopy is mottled by 18 % of its light.
        assert seen == pytest.approx(np.array(colour), abs=12), point
