"""What the health score of one tray rests on."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from trayvision.measurement import Measurement
from trayvision.measures.mould import MouldPatch
from trayvision.quality_flags import Doubt
from trayvision.score.expectations import CALLED_LIKELIHOOD, CAP_DIAMETERS_MM, score_cap

# Photos in which a clean tray and a mouldy one may look the same.
MOULD_HIDING_DOUBTS: Final = (
    Doubt.GREYSCALE,
    Doubt.FOGGED,
    Doubt.BLURRED,
    Doubt.TOO_COARSE,
    Doubt.DIM,
    Doubt.COLOURED_LIGHT,
)
# A score's uncertainty asks for the caps of the same patches some eighty times.
_cap = lru_cache(maxsize=256)(score_cap)


@dataclass(frozen=True)
class ScoredMeasures:
    """What the score rests on, all of one tray in one photo.

    Parameters
    ----------
    day : float or None
        Days since spreading; None where that is unknown or doubtful.
    cover, shoot_height_mm, yellow_share, dark_green_colour_index : Measurement
    cover_variation, seed_layer : Measurement
        Of `trayvision.measures.evenness.Evenness`.
    bare_share, slime_share : float
        Bare areas and slime as shares of the opening, 0 to 1; no uncertainty is taken for them.
    patches : tuple of MouldPatch
    fuzz : float
    seen : float
        Share of the opening that could be judged.
    doubts : tuple of Doubt
        All doubts of tray and photo.
    in_mm : bool
        False for a photo without the kit: no patch counts as small then.

    Raises
    ------
    ValueError
        If a share is not from 0 to 1.
    """

    day: float | None
    cover: Measurement
    shoot_height_mm: Measurement
    yellow_share: Measurement
    dark_green_colour_index: Measurement
    cover_variation: Measurement
    seed_layer: Measurement
    bare_share: float
    slime_share: float
    patches: tuple[MouldPatch, ...]
    fuzz: float
    seen: float
    doubts: tuple[Doubt, ...]
    in_mm: bool = True

    def __post_init__(self) -> None:
        for name in ("bare_share", "slime_share", "fuzz", "seen"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be from 0 to 1, got {getattr(self, name)!r}")

    def patch_cap(self, patch: MouldPatch) -> float:
        """Highest score that one patch allows."""
        diameter_mm = patch.diameter_mm if self.in_mm else CAP_DIAMETERS_MM[-1]
        return _cap(patch.likelihood, diameter_mm)

    @property
    def worst_patch(self) -> MouldPatch | None:
        """The patch that allows the lowest score."""
        return min(self.patches, key=self.patch_cap, default=None)

    @property
    def day_doubt(self) -> Doubt:
        """Why the day is not known, where it is not."""
        doubtful = Doubt.DAY_DOUBTFUL in self.doubts
        return Doubt.DAY_DOUBTFUL if doubtful else Doubt.DAY_UNKNOWN

    @property
    def of_no_tray(self) -> bool:
        """Whether a whole photo was taken for a tray: its frame ends where no tray does."""
        return Doubt.NO_KIT in self.doubts and Doubt.CORNERS_BY_HAND not in self.doubts

    @property
    def mould_doubt(self) -> Doubt | None:
        """Why mould cannot be judged; None where it can, or where it was seen all the same."""
        if any(patch.likelihood >= CALLED_LIKELIHOOD.value for patch in self.patches):
            return None
        return next((doubt for doubt in MOULD_HIDING_DOUBTS if doubt in self.doubts), None)
