"""Cover against the truth of rendered sample photos, value and stated uncertainty."""

import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest

from trayvision.inspection.inspection import inspect_photo

PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"
# Before day 3 there is no canopy to be wrong about.
FROM_DAY = 3


class Compared(NamedTuple):
    """Error and stated standard uncertainty of cover, an entry a photo."""

    error: npt.NDArray[np.float64]
    uncertainty: npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def compared() -> Compared:
    """Every third of the grown trays, by name: all days, grains, lights and viewpoints."""
    truths = {path.stem: json.loads(path.read_text()) for path in sorted(PHOTOS.glob("*.json"))}
    grown = [
        name
        for name, truth in truths.items()
        if truth["day"] >= FROM_DAY and (PHOTOS / f"{name}.jpg").exists()
    ]
    rows = []
    for name in grown[::3]:
        truth = truths[name]
        size = tuple(truth["tray"][side] for side in ("length", "width", "depth"))
        found = inspect_photo(PHOTOS / f"{name}.jpg", tray_size=size, day=truth["day"])
        for tray in found.trays:
            cover = tray.cover.cover
            if tray.number != truth["tray_number"] or cover.value is None:
                continue
            assert cover.uncertainty is not None
            rows.append((cover.value - truth["cover_ortho"], cover.uncertainty))
    error, uncertainty = np.array(rows).T
    return Compared(error, uncertainty)


def test_cover_is_as_near_its_truth_as_is_stated(compared: Compared) -> None:
    assert len(compared.error) >= 12
    # The mean absolute error over all sample photos that the README states, 0.024, rounded up.
    assert np.abs(compared.error).mean() < 0.03
    # Neither way more often than chance would have it: twice the standard error of a mean.
    chance = compared.error.std(ddof=1) / np.sqrt(len(compared.error))
    assert abs(compared.error.mean()) < 2 * chance


def test_stated_uncertainty_of_cover_is_that_of_its_errors(compared: Compared) -> None:
    normalised = compared.error / compared.uncertainty
    # The goal: the 95 % interval, 1.96 standard uncertainties to either side, holds at least 90 %.
    assert np.mean(np.abs(normalised) <= 1.96) >= 0.9
    # 1 where uncertainties are right. These are wide rather than narrow, which the lower bound
    # allows for and no further.
    assert 0.5 < np.sqrt(np.mean(normalised**2)) < 1.4
