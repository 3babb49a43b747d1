"""What is usual on which day, what each part of the score weighs, and where that comes from.

The one place to change a weight, an expectation or a cap. Days count from spreading (day 0). Rows
are for barley at 18 to 20 °C and wide on purpose: published are end points only, and not by day.
"""

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

import numpy as np


class Evidence(StrEnum):
    """How well a row is founded."""

    SOURCED = "sourced"
    COMMON_PRACTICE = "common practice"
    JUDGEMENT = "judgement"


class Stage(StrEnum):
    """What a tray can be asked at its age."""

    SPREAD = "spread"
    ROOTS = "roots"
    SHOOTS = "shoots"


@dataclass(frozen=True)
class Expectation:
    """The usual range of one quantity on one day.

    Parameters
    ----------
    quantity : str
        Name of the measure.
    day : float
        Days since spreading; between rows the range is interpolated, outside them held.
    low, high : float
        In the measure's own unit.
    evidence : Evidence
    origin : str
    """

    quantity: str
    day: float
    low: float
    high: float
    evidence: Evidence
    origin: str


@dataclass(frozen=True)
class Weight:
    """Points of 100 that one part can take off at each stage, and why that many."""

    part: str
    spread: float
    roots: float
    shoots: float
    evidence: Evidence
    origin: str

    def at(self, stage: Stage) -> float:
        """Points at one stage; 0 where the part is not asked."""
        return {Stage.SPREAD: self.spread, Stage.ROOTS: self.roots, Stage.SHOOTS: self.shoots}[
            stage
        ]


@dataclass(frozen=True)
class Rule:
    """One number the arithmetic turns on, in the unit its name gives."""

    name: str
    value: float
    evidence: Evidence
    origin: str


_SOURCED, _PRACTICE, _JUDGEMENT = Evidence.SOURCED, Evidence.COMMON_PRACTICE, Evidence.JUDGEMENT
_GREENING = "follows from growers' looks by day: first green day 3, gaps closing day 5"
_BETWEEN = "drawn between the published end points of days 0 and 7"
_ZONES = (
    "Scientific Reports 2024, s41598-024-70128-9: 5 % of a wheat tray was bad, 28 % poor, so "
    "a good tray is no perfect carpet"
)
_ZONE_SPREAD = (
    "the same study's zones (67 % of the tray at 6 to 7, 33 % at 3 to 5 kg fresh per kg seed) "
    "vary by a coefficient of 0.21; "
)

COVER: Final = "cover"
SHOOT_HEIGHT: Final = "shoot_height_mm"
COVER_VARIATION: Final = "cover_variation"
YELLOW_SHARE: Final = "yellow_share"

EXPECTATIONS: Final = (
    Expectation(COVER, 3.0, 0.00, 0.20, _JUDGEMENT, _GREENING),
    Expectation(COVER, 4.0, 0.15, 0.60, _JUDGEMENT, _GREENING),
    Expectation(COVER, 5.0, 0.35, 0.90, _JUDGEMENT, _GREENING),
    Expectation(COVER, 6.0, 0.60, 1.00, _JUDGEMENT, _GREENING),
    Expectation(COVER, 7.0, 0.75, 1.00, _JUDGEMENT, _ZONES),
    Expectation(COVER, 8.0, 0.80, 1.00, _JUDGEMENT, _ZONES),
    Expectation(SHOOT_HEIGHT, 1.0, 0.0, 2.0, _PRACTICE, "white tips show on day 1"),
    Expectation(SHOOT_HEIGHT, 2.0, 0.0, 12.0, _PRACTICE, "half-inch sprouts in a warm room"),
    Expectation(SHOOT_HEIGHT, 3.0, 8.0, 25.0, _JUDGEMENT, _BETWEEN),
    Expectation(SHOOT_HEIGHT, 4.0, 20.0, 50.0, _JUDGEMENT, _BETWEEN),
    Expectation(SHOOT_HEIGHT, 5.0, 40.0, 90.0, _JUDGEMENT, _BETWEEN),
    Expectation(SHOOT_HEIGHT, 6.0, 65.0, 130.0, _JUDGEMENT, _BETWEEN),
    Expectation(
        SHOOT_HEIGHT,
        7.0,
        76.0,
        200.0,
        _SOURCED,
        "extension pages: 150 to 200 mm in 5 to 8 days, and 6 to 7 inches of leaf in 6 to 7 "
        "days; small farms report 3 to 6 inches, hence the low end",
    ),
    Expectation(
        SHOOT_HEIGHT,
        8.0,
        80.0,
        213.0,
        _SOURCED,
        "Alemnew and Mekuriaw 2023, 10.1155/2023/9315556: at most 212.6 mm, at 12 days",
    ),
    Expectation(YELLOW_SHARE, 4.0, 0.0, 0.40, _PRACTICE, "greening starts about day 4 if lit"),
    Expectation(YELLOW_SHARE, 5.0, 0.0, 0.15, _JUDGEMENT, "a lit tray is green by day 5"),
    Expectation(COVER_VARIATION, 3.0, 0.0, 1.00, _JUDGEMENT, _ZONE_SPREAD + "a day's lag shows"),
    Expectation(COVER_VARIATION, 4.0, 0.0, 0.60, _JUDGEMENT, _ZONE_SPREAD + "a day's lag shows"),
    Expectation(COVER_VARIATION, 5.0, 0.0, 0.40, _JUDGEMENT, _ZONE_SPREAD + "a day's lag shows"),
    Expectation(COVER_VARIATION, 6.0, 0.0, 0.25, _JUDGEMENT, _ZONE_SPREAD + "rounded up"),
)

MOULD: Final = "mould"
HEIGHT: Final = "height"
COLOUR: Final = "colour"
EVENNESS: Final = "evenness"
WETNESS: Final = "wetness"

WEIGHTS: Final = (
    Weight(
        MOULD, 50, 50, 40, _JUDGEMENT,
        "mould costs most: a day's production can be lost (farm press), stock can die "
        "(agency review); it weighs as much as any two others",
    ),
    Weight(COVER, 0, 0, 20, _JUDGEMENT, "bare seed is lost feed and the next mould"),
    Weight(HEIGHT, 0, 15, 15, _JUDGEMENT, "a tray behind its day misses its harvest"),
    Weight(COLOUR, 0, 0, 10, _JUDGEMENT, "two days of light at the end make up for pallor"),
    Weight(EVENNESS, 35, 20, 10, _JUDGEMENT, "can be mended on the day of spreading only"),
    Weight(WETNESS, 15, 15, 5, _JUDGEMENT, "a camera sees slime late and badly: the nose leads"),
)  # fmt: skip

FIRST_ROOTS_DAY: Final = Rule("first_roots_day", 1.5, _PRACTICE, "roots show on days 2 and 3")
FIRST_SHOOTS_DAY: Final = Rule(
    "first_shoots_day", 3.5, _PRACTICE, "the mat lifts as one and greening starts about day 4"
)
DAYS_BEHIND: Final = Rule(
    "days_behind", 2.0, _JUDGEMENT,
    "trays of a batch differ by a day either way (common practice); two days below the low end "
    "take all points of cover or height",
)  # fmt: skip
AHEAD_SHARE: Final = Rule(
    "ahead_share", 0.3, _JUDGEMENT, "too tall for its day may be a hot shelf, or a wrong day"
)
YELLOW_TOLERANCE: Final = Rule(
    "yellow_tolerance", 0.4, _JUDGEMENT, "that share of shoots above the usual takes all points"
)
PALE_INDEX: Final = Rule(
    "pale_index", 0.35, _JUDGEMENT,
    "dark green colour index (Karcher and Richardson 2003) of a mid green leaf is 0.42, of a "
    "yellowing one 0.18",
)  # fmt: skip
YELLOW_INDEX: Final = Rule("yellow_index", 0.18, _JUDGEMENT, "the same, of a yellowing leaf")
UNEVEN_TOLERANCE: Final = Rule(
    "uneven_tolerance", 1.0, _JUDGEMENT, "twice the usual variation takes all points"
)
SEED_LAYER: Final = Rule("seed_layer", 0.98, _PRACTICE, "even to the corners, drain gap allowed")
SEED_LAYER_TOLERANCE: Final = Rule(
    "seed_layer_tolerance", 0.12, _JUDGEMENT, "an eighth of the floor bare takes all points"
)
BARE_SHARE: Final = Rule("bare_share", 0.05, _SOURCED, _ZONES)
BARE_TOLERANCE: Final = Rule(
    "bare_tolerance", 0.15, _JUDGEMENT, "a fifth of the tray without shoots takes all points"
)
SLIME_TOLERANCE: Final = Rule(
    "slime_tolerance", 0.05, _JUDGEMENT, "slime on a twentieth of the tray takes all points"
)
FUZZ_LAST_DAY: Final = Rule(
    "fuzz_last_day", 3.5, _PRACTICE, "root hairs peak on days 2 and 3 and lessen by day 4"
)
FUZZ_SEEN: Final = Rule(
    "fuzz_seen", 0.15, _JUDGEMENT, "less is stray roots and glints, and is not mentioned"
)
FUZZ_SHARE: Final = Rule(
    "fuzz_share", 0.25, _JUDGEMENT, "all-over fuzz after those days: a quarter of mould's points"
)
FUZZ_TOLERANCE: Final = Rule("fuzz_tolerance", 0.5, _JUDGEMENT, "half the bed white is all of it")
LEAST_SEEN: Final = Rule("least_seen", 0.5, _JUDGEMENT, "half the tray unseen is no look at all")
QUIET_SEEN: Final = Rule("quiet_seen", 0.8, _JUDGEMENT, "a fifth of the tray unseen wants eyes")
LEAST_KNOWN: Final = Rule("least_known", 60.0, _JUDGEMENT, "points of 100 that must be judged")
LOOK_SHARE: Final = Rule(
    "look_share", 0.75, _JUDGEMENT,
    "a part that loses this much of its points, such as a day and a half behind, wants eyes",
)  # fmt: skip
RESPREAD_SHARE: Final = Rule(
    "respread_share", 0.25, _JUDGEMENT, "spreading again costs a minute on the first day only"
)
DAY_TOO_EARLY: Final = Rule("day_too_early", 1.5, _JUDGEMENT, "trays of a batch differ by a day")
LOOK_SCORE: Final = Rule("look_score", 80.0, _JUDGEMENT, "many small losses want eyes as well")
LOOK_LIKELIHOOD: Final = Rule(
    "look_likelihood", 0.2, _JUDGEMENT, "a look costs a minute, a lost tray far more"
)
CALLED_LIKELIHOOD: Final = Rule(
    "called_likelihood", 0.5, _SOURCED, "extension services: visible mould is kept from feeding"
)
HOLD_LIKELIHOOD: Final = Rule("hold_likelihood", 0.9, _JUDGEMENT, "249 of 251 rendered ones were")

RULES: Final = tuple(one for one in list(globals().values()) if isinstance(one, Rule))
# The score is never above the cap of its worst patch: rows by likelihood, columns by diameter.
# Judgement, after the extension services' rule that visible mould is kept from feeding.
CAP_LIKELIHOODS: Final = (0.0, 0.2, 0.5, 0.8, 1.0)
CAP_DIAMETERS_MM: Final = (3.0, 8.0, 20.0)
CAPS: Final = (
    (100.0, 100.0, 100.0),
    (95.0, 85.0, 80.0),
    (65.0, 40.0, 30.0),
    (50.0, 25.0, 15.0),
    (45.0, 20.0, 5.0),
)  # fmt: skip


def stage_of(day: float | None) -> Stage:
    """Stage of a tray; a tray of unknown age is asked everything."""
    if day is None or day >= FIRST_SHOOTS_DAY.value:
        return Stage.SHOOTS
    return Stage.ROOTS if day >= FIRST_ROOTS_DAY.value else Stage.SPREAD


def usual_range(quantity: str, day: float) -> tuple[float, float]:
    """Low and high end of what is usual on a day, in the measure's own unit.

    Raises
    ------
    ValueError
        If no row names `quantity`.
    """
    rows = _rows(quantity)
    days = [row.day for row in rows]
    return (
        float(np.interp(day, days, [row.low for row in rows])),
        float(np.interp(day, days, [row.high for row in rows])),
    )


def days_behind(quantity: str, value: float, day: float) -> float:
    """Days by which a value lags the low end of what is usual; 0 within or above it."""
    rows = _rows(quantity)
    return max(0.0, min(day, rows[-1].day) - _day_reached([(r.day, r.low) for r in rows], value))


def days_ahead(quantity: str, value: float, day: float) -> float:
    """Days by which a value leads the high end of what is usual; 0 within or below it."""
    rows = _rows(quantity)
    early = _day_reached([(r.day, r.high) for r in rows], value) - max(day, rows[0].day)
    return max(0.0, early) if value > usual_range(quantity, day)[1] else 0.0


def latest_usual_day(quantity: str, value: float) -> float:
    """The last day on which a value is still usual: the strictest age to hold a tray to."""
    return _day_reached([(row.day, row.low) for row in _rows(quantity)], value)


def score_cap(likelihood: float, diameter_mm: float) -> float:
    """Highest score that a patch of this likelihood and size allows, 0 to 100."""
    columns = [
        float(np.interp(likelihood, CAP_LIKELIHOODS, [row[i] for row in CAPS]))
        for i in range(len(CAP_DIAMETERS_MM))
    ]
    return float(np.interp(diameter_mm, CAP_DIAMETERS_MM, columns))


def _rows(quantity: str) -> list[Expectation]:
    rows = [row for row in EXPECTATIONS if row.quantity == quantity]
    if not rows:
        known = sorted({row.quantity for row in EXPECTATIONS})
        raise ValueError(f"quantity must be one of {', '.join(known)}, got {quantity!r}")
    return rows


def _day_reached(edge: list[tuple[float, float]], value: float) -> float:
    """The day on which a rising edge first goes beyond a value."""
    for (day, here), (next_day, there) in pairwise(edge):
        if value < there:
            share = (value - here) / (there - here) if there > here else 1.0
            return day + max(0.0, share) * (next_day - day)
    return edge[-1][0]
