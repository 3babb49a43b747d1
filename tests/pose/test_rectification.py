import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.pose.tray_views import SIZE, drawn, find, only
from trayvision.pose.rectification import PlanGrid, photo_map


@given(st.floats(-200, 200), st.floats(-120, 120), st.floats(0.3, 4))
def test_millimetres_and_pixels_are_inverse(x: float, y: float, pitch: float) -> None:
    grid = PlanGrid.over(SIZE, pitch)
    back = grid.to_mm(*grid.to_px(np.asarray(x), np.asarray(y)))
    assert [float(value) for value in back] == pytest.approx([x, y], abs=1e-9)


def test_first_row_is_the_left_side_and_first_column_bar_a() -> None:
    grid = PlanGrid.over(SIZE, 1.0)
    x, y = grid.to_mm(np.asarray(0.0), np.asarray(0.0))
    assert (float(x), float(y)) == (-SIZE.length_mm / 2 + 0.5, SIZE.width_mm / 2 - 0.5)
    assert grid.shape == (SIZE.width_mm, SIZE.length_mm)


@pytest.mark.parametrize("z_mm", [-50.0, -36.0, 0.0])
def test_map_agrees_with_the_exact_projection(z_mm: float) -> None:
    pose = only(find(drawn()), 31)
    grid = PlanGrid.over(SIZE, 1.0)
    map_x, map_y = photo_map(pose, grid, z_mm)
    rows, columns = np.meshgrid(
        np.arange(0, grid.shape[0], 7), np.arange(0, grid.shape[1], 11), indexing="ij"
    )
    x, y = grid.to_mm(columns.astype(float), rows.astype(float))
    exact = pose.project(np.stack([x, y, np.full_like(x, z_mm)], axis=-1))
    assert map_x[rows, columns] == pytest.approx(exact[..., 0], abs=0.05)
    assert map_y[rows, columns] == pytest.approx(exact[..., 1], abs=0.05)
