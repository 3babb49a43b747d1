"""Measures of trays to score: a good one to change, and drawn ones."""

from dataclasses import replace
from math import pi
from typing import Any

import numpy as np
from hypothesis import strategies as st

from trayvision.measurement import Measurement
from trayvision.measures.mould import MouldPatch
from trayvision.quality_flags import Doubt
from trayvision.score.scored_measures import ScoredMeasures

MEASURES = (
    "cover",
    "shoot_height_mm",
    "yellow_share",
    "dark_green_colour_index",
    "cover_variation",
    "seed_layer",
)
UNITS = dict.fromkeys(MEASURES, "1") | {"shoot_height_mm": "mm"}


def share(value: float, uncertainty: float = 0.01) -> Measurement:
    return Measurement(value, uncertainty, "1")


def patch(likelihood: float, diameter_mm: float, *, look: str = "white fuzz") -> MouldPatch:
    area = pi * diameter_mm**2 / 4
    return MouldPatch(
        x_mm=10.0,
        y_mm=-20.0,
        area_mm2=area,
        area_uncertainty_mm2=0.1 * area,
        visible_area_mm2=area,
        diameter_mm=diameter_mm,
        outline_mm=np.empty((0, 2)),
        look=look,
        likelihood=likelihood,
        confusions=("root hairs",),
    )


def healthy(**changes: Any) -> ScoredMeasures:
    """A good tray on day 6 with everything known."""
    measures = ScoredMeasures(
        day=6.0,
        cover=share(0.80),
        shoot_height_mm=Measurement(90.0, 4.0, "mm"),
        yellow_share=share(0.05),
        dark_green_colour_index=share(0.45),
        cover_variation=share(0.15),
        seed_layer=Measurement.unknown("1", Doubt.BED_HIDDEN),
        bare_share=0.0,
        slime_share=0.0,
        patches=(),
        fuzz=0.0,
        seen=1.0,
        doubts=(),
    )
    return replace(measures, **changes)


def known_or_not(low: float, high: float, unit: str = "1") -> st.SearchStrategy[Measurement]:
    known = st.builds(
        Measurement,
        st.floats(low, high),
        st.floats(0, (high - low) / 20),
        st.just(unit),
    )
    return known | st.just(Measurement.unknown(unit, Doubt.TOO_LITTLE_SEEN))


shares = st.floats(0, 1)
any_patch = st.builds(patch, shares, st.floats(2, 80))
drawn_measures = st.builds(
    ScoredMeasures,
    day=st.none() | st.floats(0, 12),
    cover=known_or_not(0, 1),
    shoot_height_mm=known_or_not(0, 300, "mm"),
    yellow_share=known_or_not(0, 1),
    dark_green_colour_index=known_or_not(0, 1),
    cover_variation=known_or_not(0, 3),
    seed_layer=known_or_not(0, 1),
    bare_share=shares,
    slime_share=shares,
    patches=st.lists(any_patch, max_size=4).map(tuple),
    fuzz=shares,
    seen=st.floats(0.3, 1),
    doubts=st.lists(st.sampled_from(list(Doubt)), max_size=2).map(tuple),
    in_mm=st.booleans(),
)
# Of what is drawn freely hardly one has a score that a patch caps: so every other one is a tray
# well seen, with little else against it.
capped_measures = st.builds(
    healthy,
    day=st.floats(5, 7),
    cover=st.builds(share, st.floats(0.5, 1)),
    yellow_share=st.builds(share, st.floats(0, 0.4)),
    cover_variation=known_or_not(0, 0.5),
    bare_share=st.floats(0, 0.05),
    patches=st.lists(
        st.builds(patch, st.floats(0.3, 1), st.floats(2, 80)), min_size=1, max_size=3
    ).map(tuple),
    seen=st.floats(0.5, 1),
)
any_measures = drawn_measures | capped_measures
