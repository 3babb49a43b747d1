"""Plans of trays with planted class shares, for tests of what is read from a plan."""

import numpy as np
import numpy.typing as npt

from trayvision.pose.rectification import PlanGrid
from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

COLOURS = {
    TrayClass.BARE_TRAY: (120, 122, 125),
    TrayClass.BED: (170, 140, 95),
    TrayClass.SHOOT: (80, 140, 50),
    TrayClass.MOULD: (225, 225, 222),
    TrayClass.SLIME: (95, 75, 55),
}


def planted(
    classes: npt.NDArray[np.int64],
    *,
    zenith_tan: float = 0.0,
    judged: npt.NDArray[np.bool_] | None = None,
    colours: npt.NDArray[np.uint8] | None = None,
) -> TrayPlan:
    """A plan at 1 mm a pixel whose every pixel is wholly of the class that is given."""
    rows, columns = classes.shape
    shares = np.stack([classes == index for index in range(CLASS_COUNT)]).astype(np.float32)
    if colours is None:
        colours = np.zeros((rows, columns, 3), dtype=np.uint8)
        for tray_class, colour in COLOURS.items():
            colours[classes == tray_class] = colour
    return TrayPlan(
        grid=PlanGrid(float(columns), float(rows), 1.0),
        shares=shares,
        colours=colours,
        judged=np.ones((rows, columns), dtype=bool) if judged is None else judged,
        zenith_tan=np.full((rows, columns), zenith_tan, dtype=np.float32),
        z_mm=-36.0,
    )


def disc(
    classes: npt.NDArray[np.int64], *, x_mm: float, y_mm: float, diameter_mm: float, value: int
) -> npt.NDArray[np.int64]:
    """The class map with a disc of another class at a place in tray millimetres."""
    rows, columns = classes.shape
    x, y = PlanGrid(float(columns), float(rows), 1.0).to_mm(
        *np.meshgrid(np.arange(columns, dtype=float), np.arange(rows, dtype=float))
    )
    changed = classes.copy()
    changed[np.hypot(x - x_mm, y - y_mm) <= diameter_mm / 2] = value
    return changed
