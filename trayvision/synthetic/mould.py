"""Series of tray photos drawn with known truth, to measure how late and how wrong warnings come.

Synthetic: no published series of mould on sprouting grain exists. All assumptions stand in
`MouldHabits`; how sure and how often candidates are follows 280 rendered series, roughly. Each
candidate's logit has an offset that it keeps from photo to photo, since what looks like mould once
does so again.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from math import exp, inf, log

import numpy as np

from trayvision.warning.patch_evidence import PatchContext
from trayvision.warning.patch_growth import PUBLISHED_ISOLATES
from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto, Watering

SPREAD_AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
_HALF_MM = np.array([250.0, 125.0])


@dataclass(frozen=True, slots=True)
class MouldHabits:
    """How photos, mould and what looks like it behave.

    Parameters
    ----------
    photos_per_day, days : int
    pair_share : float
        Share of the photos that come as a pair before and after watering.
    unclear_share : float
        Share of photos in which no patch can be judged.
    smallest_patch_mm : float
        Median diameter of the smallest patch a photo shows (log standard deviation 0.2).
    mould_logit : float
        Mean logit of a patch of mould of 8 mm; it rises by the log of its size over 8 mm.
    harmless_logit : float
        Mean logit of a harmless candidate.
    offset_spread, photo_spread : float
        Standard deviations of the offset that a candidate keeps, and of each photo's own noise.
    hairs_share : float
        Share of trays with candidates in root hairs on days 1.5 to 3.5.
    husks_per_tray, glare_per_photo : float
        Mean number (Poisson).
    found_share : float
        Share of what a photo could show that the segmentation finds.
    diameter_spread : float
        Log standard deviation of a measured diameter.
    """

    photos_per_day: int = 2
    days: int = 8
    pair_share: float = 0.2
    unclear_share: float = 0.1
    smallest_patch_mm: float = 5.0
    mould_logit: float = 1.1
    harmless_logit: float = -1.5
    offset_spread: float = 0.7
    photo_spread: float = 0.9
    hairs_share: float = 0.08
    husks_per_tray: float = 0.05
    glare_per_photo: float = 0.17
    found_share: float = 0.65
    diameter_spread: float = 0.10


@dataclass(frozen=True, eq=False)
class _Object:
    """One thing on the tray that can be read as mould."""

    kind: str
    place_mm: tuple[float, float]
    from_day: float
    until_day: float
    radius_mm: float
    radial_mm_per_day: float
    offset: float

    def diameter_mm(self, day: float) -> float:
        if not self.from_day <= day <= self.until_day:
            return 0.0
        return 2 * (self.radius_mm + self.radial_mm_per_day * (day - self.from_day))


@dataclass(frozen=True, eq=False)
class SyntheticSeries:
    """Photos of one run with its truth.

    Parameters
    ----------
    photos : tuple of TrayPhoto
        In order of time.
    context : PatchContext
    mould_mm : tuple of float
        True diameter of the patch of mould at each photo, 0 where there is none.
    mould_place_mm : (x, y) or None
    """

    photos: tuple[TrayPhoto, ...]
    context: PatchContext
    mould_mm: tuple[float, ...]
    mould_place_mm: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class SyntheticTrays:
    """Draws series of photos.

    Parameters
    ----------
    habits : MouldHabits
    """

    habits: MouldHabits = field(default_factory=MouldHabits)

    def draw(self, *, mouldy: bool, rng: np.random.Generator) -> SyntheticSeries:
        """One run of one tray, with one growing patch of mould or without any."""
        things = self._harmless(rng)
        mould = self._mould(rng) if mouldy else None
        if mould is not None:
            things.append(mould)
        hairy = any(thing.kind == "hairs" for thing in things)
        photos, days, siblings = [], {}, {}
        for number, (day, watering) in enumerate(self._moments(rng)):
            name = f"{number:03d}"
            days[name] = day
            fuzz = 0.0
            if hairy and 1.5 <= day <= 3.5:
                fuzz = float(rng.uniform(0.2, 0.5))
                # Trays of one batch are hairy together.
                siblings[name] = float(fuzz * rng.uniform(0.6, 1.2))
            glare = self._glare(day, rng)
            photo = self._photo(name, (day, watering, min(fuzz, 1.0)), [*things, *glare], rng)
            photos.append(photo)
        sizes = tuple(mould.diameter_mm(day) if mould else 0.0 for day in days.values())
        context = PatchContext(days=days, siblings_fuzz=siblings)
        return SyntheticSeries(tuple(photos), context, sizes, mould.place_mm if mould else None)

    def _moments(self, rng: np.random.Generator) -> list[tuple[float, Watering]]:
        habits, moments = self.habits, []
        step = 1 / habits.photos_per_day
        for round_number in range(habits.photos_per_day * habits.days):
            day = (round_number + 0.5) * step + float(rng.uniform(-0.1, 0.1)) * step
            if rng.random() < habits.pair_share:
                moments += [(day, Watering.BEFORE), (day + 0.02, Watering.AFTER)]
            else:
                moments.append((day, Watering.UNKNOWN))
        return moments

    def _harmless(self, rng: np.random.Generator) -> list[_Object]:
        habits, things = self.habits, []
        if rng.random() < habits.hairs_share:
            for _ in range(int(rng.integers(1, 4))):
                until = float(rng.uniform(3.0, 4.0))
                radius = float(rng.uniform(3.0, 9.0))
                things.append(self._object("hairs", (1.5, until), radius, 0.0, rng))
        for _ in range(int(rng.poisson(habits.husks_per_tray))):
            radius = float(rng.uniform(2.5, 5.0))
            things.append(self._object("husks", (0.0, inf), radius, 0.0, rng))
        return things

    def _glare(self, day: float, rng: np.random.Generator) -> list[_Object]:
        return [
            self._object("glare", (day, day), float(rng.uniform(2.5, 7.0)), 0.0, rng)
            for _ in range(int(rng.poisson(self.habits.glare_per_photo)))
        ]

    def _mould(self, rng: np.random.Generator) -> _Object:
        """A patch of one of the published isolates at 17 to 23 °C that starts on days 3 to 6."""
        isolate = PUBLISHED_ISOLATES[int(rng.integers(len(PUBLISHED_ISOLATES)))]
        pace = isolate.radial_mm_per_day(float(rng.uniform(17.0, 23.0)))
        return self._object("mould", (float(rng.uniform(3.0, 6.0)), inf), 0.0, pace, rng)

    def _object(
        self,
        kind: str,
        days: tuple[float, float],
        radius_mm: float,
        radial_mm_per_day: float,
        rng: np.random.Generator,
    ) -> _Object:
        x, y = rng.uniform(-_HALF_MM, _HALF_MM)
        offset = float(rng.normal(0.0, self.habits.offset_spread))
        return _Object(kind, (float(x), float(y)), *days, radius_mm, radial_mm_per_day, offset)

    def _photo(
        self,
        name: str,
        moment: tuple[float, Watering, float],
        things: Sequence[_Object],
        rng: np.random.Generator,
    ) -> TrayPhoto:
        day, watering, fuzz = moment
        habits = self.habits
        smallest = habits.smallest_patch_mm * exp(float(rng.normal(0.0, 0.2)))
        clear = rng.random() >= habits.unclear_share
        cover = float(np.interp(day, [3.0, 8.0], [0.0, 0.6]))
        blank = TrayPhoto(
            photo_id=name,
            taken_at=SPREAD_AT + timedelta(days=day),
            smallest_patch_mm=smallest if clear else None,
            seen=0.95,
            cover=cover,
            fuzz=fuzz,
            watering=watering,
        )
        seen = [self._sight(thing, blank, day, rng) for thing in things]
        return replace(blank, patches=tuple(one for one in seen if one is not None))

    def _sight(
        self, thing: _Object, photo: TrayPhoto, day: float, rng: np.random.Generator
    ) -> PatchSighting | None:
        habits, diameter = self.habits, thing.diameter_mm(day)
        if thing.kind == "hairs" and photo.watering is Watering.AFTER:
            diameter *= 0.5 if rng.random() < 0.4 else 0.0
        if not diameter or rng.random() >= habits.found_share * photo.could_show(diameter):
            return None
        mean = habits.harmless_logit
        if thing.kind == "mould":
            mean = habits.mould_logit + log(diameter / 8.0)
        logit = mean + thing.offset + float(rng.normal(0.0, habits.photo_spread))
        measured = diameter * exp(float(rng.normal(0.0, habits.diameter_spread)))
        x, y = np.array(thing.place_mm) + rng.normal(0.0, 1.5, 2)
        return PatchSighting(
            x_mm=float(x),
            y_mm=float(y),
            diameter_mm=measured,
            diameter_uncertainty_mm=0.1 * measured,
            likelihood=1 / (1 + exp(-logit)),
        )
