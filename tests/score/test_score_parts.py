"""What the parts of a score say, beside the figures that they say it with."""

import re

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.score.scored_trays import healthy, share
from trayvision.measurement import Measurement
from trayvision.score.parts import score_parts


@example(2.03, 0.0, 0.0)
@given(st.floats(0.0, 8.0), st.floats(0.0, 160.0), st.floats(0.0, 1.0))
def test_below_and_within_are_said_of_the_figures_that_are_told(
    day: float, height_mm: float, cover: float
) -> None:
    height = Measurement(height_mm, 4.0, "mm")
    measures = healthy(day=day, cover=share(cover), shoot_height_mm=height)
    told = re.compile(r"(\d+)(?: mm| %): (below|within|above) the usual (\d+) to (\d+)")
    for part in score_parts(measures):
        for value, place, low, high in told.findall(part.reason):
            below, above = int(value) < int(low), int(value) > int(high)
            assert (place == "below", place == "above") == (below, above), part.reason


@pytest.mark.parametrize("percent", [90, 94, 96, 97, 98])
def test_one_share_of_seeded_floor_has_one_verdict(percent: int) -> None:
    layers = np.linspace(percent - 0.49, percent + 0.49, 12) / 100
    trays = [healthy(day=0.0, seed_layer=share(float(layer))) for layer in layers]
    said = {part.reason for tray in trays for part in score_parts(tray)}
    assert len([reason for reason in said if reason.startswith("Seed on")]) == 1


# Root hairs peak on days 2 and 3 and lessen by day 4 (growers' pages): from then on even fuzz takes
# a quarter of mould's points.
@pytest.mark.parametrize(("day", "late"), [(2.5, False), (3.4, False), (3.6, True), (4.4, True)])
def test_fuzz_costs_points_once_root_hairs_have_had_their_days(day: float, late: bool) -> None:
    mould = score_parts(healthy(day=day, fuzz=0.6))[0]
    assert mould.points_off == (pytest.approx(mould.weight / 4) if late else 0.0)
    why = "late for root hairs" if late else "root hairs more likely than mould"
    assert why in mould.reason
