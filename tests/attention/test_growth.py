"""What photos of growth ask a grower to look at: one cause, one reason."""

from math import pi

from tests.attention.rooms import reading, room, run
from trayvision.attention.attention import find_attention
from trayvision.attention.flags import FlagKind
from trayvision.warning.patch_sighting import Spot


def test_bare_floor_of_the_first_days_is_uneven_spreading_and_nothing_else() -> None:
    bare = (Spot(110.0, -30.0, 2 * (9000.0 / pi) ** 0.5),)
    badly_spread = reading(7, 1.0, bare=bare, seed_layer_share=0.9)
    found = find_attention(room([run(7, [badly_spread])], 1.05)).flags
    assert [flag.kind for flag in found] == [FlagKind.UNEVEN_SPREADING]
