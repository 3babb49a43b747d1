"""Weights that no tray holds, most often for a missing decimal point: kept, and asked about."""

from collections.abc import Mapping
from typing import Final

from service.pages.words import Say

# Judgement: 3 to 6 kg of dry seed on a square metre is common practice, and fresh weight is 6 to 8
# times that, 48 kg, at most; both with room above, so that a thick tray is not doubted.
MOST_FRESH_G_PER_M2: Final = 60_000.0
MOST_SEED_G_PER_M2: Final = 15_000.0


def doubt(
    weights_g: Mapping[int, float | None], sizes: Mapping[int, str], most_g_per_m2: float, say: Say
) -> str:
    """A question to follow what was written down; empty where no weight is too much.

    Parameters
    ----------
    weights_g : mapping of tray number to weight, None where it was not weighed
    sizes : mapping of tray number to its inner size, such as 540x280x60, mm
    most_g_per_m2 : float
    say : Say
    """
    for number, weight_g in weights_g.items():
        length_mm, width_mm, *_ = map(float, sizes.get(number, say.room.tray_size).split("x"))
        if weight_g is not None and weight_g > most_g_per_m2 * length_mm * width_mm / 1e6:
            of = f"tray {number}" if len(weights_g) > 1 else "one tray"
            return f" {say.weight(weight_g)} in {of}: is the decimal point right?"
    return ""
