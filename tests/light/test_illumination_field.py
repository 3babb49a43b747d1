"""The light over a tray, fitted to planted whites: even, shadowed, greyer, beyond the range."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from trayvision.light.illumination_field import fit_field
from trayvision.light.kit_white import WhiteCells

HALF_MM = np.array([270.0, 140.0])
Floats = npt.NDArray[np.float64]


def whites(
    u: float = 0.0, v: float = 0.0, uv: float = 0.0, *, beyond_mm: float = 0.0, level: float = 0.5
) -> WhiteCells:
    """Whites of one light at both ends, so many mm outside: log level falls along u, v and uv."""
    y = np.linspace(-130.0, 130.0, 13)
    xy = np.concatenate([np.column_stack([np.full(13, side * 270.0), y]) for side in (-1, 1)])
    across = xy / HALF_MM
    log = np.log(level) + across @ [u, v] + uv * across[:, 0] * across[:, 1]
    count = len(xy)
    return WhiteCells(
        xy_mm=xy + np.sign(xy) * [beyond_mm, 0.0],
        linear_rgb=np.exp(log)[:, None] * [1.1, 1.0, 0.8],
        beside_tag=np.arange(count) % 4 == 0,
        clipped=np.zeros((count, 3), dtype=bool),
        level_sigma=np.full(count, 0.02),
        chroma_sigma=np.full(count, 0.01),
        seen_px=100 * count,
    )


def test_light_between_the_bars_is_that_of_the_lamp() -> None:
    field = fit_field(whites(0.3, -0.2, 0.05), HALF_MM)
    np.testing.assert_allclose(np.exp(field.log_white), [0.55, 0.5, 0.4], rtol=0.01)
    at = np.array([[135.0, 70.0], [-135.0, 35.0], [270.0, -140.0]])
    u, v = (at / HALF_MM).T
    expected = np.exp(0.3 * u - 0.2 * v + 0.05 * u * v)
    np.testing.assert_allclose(
        field.relative_at(at), expected[:, None].repeat(3, axis=1), rtol=0.02
    )


@pytest.mark.parametrize("left", [0.2, 0.5])
def test_shadow_and_soil_on_a_few_whites_darken_nothing(left: float) -> None:
    cells = whites()
    soiled = cells.linear_rgb.copy()
    soiled[[3, 4, 9, 17, 20]] *= left
    field = fit_field(replace(cells, linear_rgb=soiled), HALF_MM)
    np.testing.assert_allclose(np.exp(field.log_white), [0.55, 0.5, 0.4], rtol=0.02)
    ends = field.relative_at(np.array([[-270.0, 0.0], [270.0, 0.0]]))
    np.testing.assert_allclose(ends, 1.0, atol=0.04)


def test_a_bar_of_greyer_paper_than_its_tags_makes_nothing_brighter() -> None:
    # Colours are told by the white of the tags' paper: three of four whites are a fifth darker.
    cells = whites()
    bar = np.where(cells.beside_tag, 1.0, 0.8)[:, None]
    field = fit_field(replace(cells, linear_rgb=cells.linear_rgb * bar), HALF_MM)
    np.testing.assert_allclose(np.exp(field.log_white), [0.55, 0.5, 0.4], rtol=0.02)


def test_whites_beyond_the_opening_tell_the_light_at_its_end() -> None:
    # The bars lie outside the opening; what falls on them is the light of that end.
    field = fit_field(whites(0.4, beyond_mm=40.0), HALF_MM)
    ends = field.relative_at(np.array([[-270.0, 0.0], [270.0, 0.0]]))[:, 1]
    np.testing.assert_allclose(ends, np.exp([-0.4, 0.4]), rtol=0.01)


def test_lights_differ_in_colour_only_beyond_what_whites_leave_open() -> None:
    even, mixed = whites(), whites()
    rng = np.random.default_rng(2)
    speckled = even.linear_rgb * np.exp(0.005 * rng.standard_normal((26, 3)))
    assert fit_field(replace(even, linear_rgb=speckled), HALF_MM).chroma_change == 0.0
    redder = mixed.linear_rgb * np.exp(np.sign(mixed.xy_mm[:, :1]) * [0.1, 0.0, 0.0])
    change = fit_field(replace(mixed, linear_rgb=redder), HALF_MM).chroma_change
    # From end to end 0.2 of log ratio, less twice what is not known of it.
    assert 0.12 < change < 0.2


def test_a_white_known_only_to_be_beyond_the_range_is_taken_to_be_so() -> None:
    cells = whites(level=1.0)
    cells = replace(cells, linear_rgb=np.ones((26, 3)), clipped=np.ones((26, 3), dtype=bool))
    field = fit_field(cells, HALF_MM)
    # Up to the range's end it cannot reach down, nor is it likely three times as bright.
    assert 0.1 < field.log_white[1] < np.log(3.0)
    assert field.log_white[1] < 2 * field.level_uncertainty
    told = fit_field(whites(level=0.9), HALF_MM)
    assert field.level_uncertainty > 4 * told.level_uncertainty
