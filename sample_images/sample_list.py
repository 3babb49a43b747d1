"""The single sample photos, one row each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from kit_geometry import KitParts
from scene_plan import Occluder

WHITE, GREEN, BLACK, PINK = "white-fuzz", "grey-green", "black", "pink"
SMALL, FLAT, MIDDLE, WIDE, LONG = (
    (300, 200, 50), (400, 250, 50), (540, 280, 60), (600, 300, 55), (800, 350, 60),
)  # fmt: skip


@dataclass(frozen=True)
class Sample:
    """One sample photo; ``name`` starts with the day and ends with the view."""

    name: str
    seed: int
    size: tuple[float, float, float] = (500, 250, 60)
    plastic: str = "white"
    light: tuple[str, str] = ("led", "cool")
    shelf: str = "metal"
    mould: tuple[tuple[str, float], ...] = ()
    spots: dict[str, tuple[float, ...]] = field(default_factory=dict)
    weak: bool = False
    yellowing: bool = False
    lodging: float | None = None
    tray: dict[str, Any] = field(default_factory=dict)
    things: tuple[Occluder, ...] = ()
    others: int = 0
    frame: tuple[int, int] | None = None
    fog: bool = False

    @property
    def day(self) -> float:
        """Day of the tray, from the name."""
        return float(self.name.split("-")[0].removeprefix("day"))

    @property
    def crop(self) -> str:
        """Crop, from the name."""
        return "wheat" if "wheat" in self.name else "barley"

    @property
    def view(self) -> str:
        """'fixed' or 'phone', from the name."""
        return self.name.rsplit("-", 1)[1]


SAMPLES = (
    Sample("day0-barley-healthy-fixed", 101),
    Sample("day0-wheat-black-tray-phone", 102, plastic="black", light=("window", "day")),
    Sample(
        "day0-barley-bare-and-thick-spots-fixed",
        103,
        LONG,
        spots={"bare": (45, 25), "thick": (90,)},
    ),
    Sample(
        "day0-wheat-uneven-spreading-phone",
        104,
        FLAT,
        "grey",
        shelf="wood",
        spots={"bare": (60, 30, 22), "thick": (80,)},
    ),
    Sample("day1-barley-white-tips-phone", 105, plastic="black", light=("led", "neutral")),
    Sample("day1-wheat-small-beige-tray-fixed", 106, SMALL, "beige", ("led", "warm"), "wood"),
    Sample("day1-barley-standing-water-fixed", 107, spots={"water": (90, 60)}, shelf="dark"),
    Sample(
        "day2-barley-root-hairs-before-watering-fixed", 108, tray={"hairs": 1.1, "root_cover": 1.5}
    ),
    Sample(
        "day2-barley-root-hairs-after-watering-fixed",
        108,
        tray={"root_cover": 1.5, "drops_per_cm2": 1.5},
    ),
    Sample(
        "day2-wheat-root-hairs-phone",
        109,
        FLAT,
        "green",
        ("window", "day"),
        tray={"hairs": 1.2, "root_cover": 1.6},
    ),
    Sample(
        "day2-wheat-grey-green-mould-12mm-fixed", 110, mould=((GREEN, 12),), tray={"hairs": 0.7}
    ),
    Sample(
        "day2.5-barley-root-hairs-grey-tray-phone",
        111,
        MIDDLE,
        "grey",
        ("mixed", "cool"),
        "paint",
        tray={"hairs": 1.4, "root_cover": 1.8},
    ),
    Sample("day3-barley-white-mould-5mm-fixed", 112, FLAT, mould=((WHITE, 5),)),
    Sample(
        "day3-barley-root-hairs-warm-light-phone",
        113,
        FLAT,
        "beige",
        ("led", "warm"),
        "wood",
        tray={"hairs": 1.0, "root_cover": 1.6},
    ),
    Sample("day3-wheat-black-mould-20mm-fixed", 114, mould=((BLACK, 20),), shelf="wood"),
    Sample("day3-barley-slime-phone", 115, spots={"slime": (60, 35)}, light=("led", "neutral")),
    Sample("day3-wheat-weak-germination-fixed", 116, MIDDLE, weak=True, light=("dim", "neutral")),
    Sample("day4-barley-white-mould-25mm-phone", 117, mould=((WHITE, 25),), shelf="wood"),
    Sample("day4-barley-healthy-fixed", 118, FLAT, "green", ("led+window", "cool")),
    Sample("day4-wheat-pink-mould-18mm-fixed", 119, FLAT, mould=((PINK, 18),)),
    Sample("day4-wheat-pink-grow-light-fixed", 120, light=("grow", "grow"), shelf="wood"),
    Sample(
        "day4-barley-white-mould-under-grow-light-fixed",
        121,
        mould=((WHITE, 35),),
        light=("grow", "grow"),
    ),
    Sample("day4-barley-fog-on-the-lens-phone", 122, plastic="blue", fog=True),
    Sample(
        "day4-wheat-wet-tags-fixed",
        123,
        things=(Occluder("wet", 0), Occluder("wet", 2)),
        tray={"drops_per_cm2": 1.0},
    ),
    Sample("day4-barley-two-trays-fixed", 124, FLAT, others=1, frame=(2048, 1536)),
    Sample("day4.5-wheat-black-mould-8mm-phone", 125, SMALL, "blue", mould=((BLACK, 8),)),
    Sample(
        "day5-barley-grey-green-mould-45mm-phone",
        126,
        mould=((GREEN, 45),),
        light=("window", "day"),
    ),
    Sample(
        "day5-wheat-healthy-black-tray-fixed",
        127,
        plastic="black",
        light=("led", "neutral"),
        shelf="tiles",
    ),
    Sample(
        "day5-barley-bare-spots-fixed",
        128,
        WIDE,
        spots={"bare": (60, 40, 35)},
        light=("bulb", "warm"),
    ),
    Sample(
        "day5-wheat-hose-across-phone",
        129,
        LONG,
        "grey",
        things=(Occluder("hose"), Occluder("label")),
    ),
    Sample("day5-barley-hard-shadow-fixed", 130, light=("bulb", "neutral"), shelf="dark"),
    Sample("day5-wheat-phone-flash-phone", 131, FLAT, "black", ("flash", "day"), "dark"),
    Sample(
        "day5-barley-carried-strip-fixed", 132, MIDDLE, tray={"head_number": 96}, frame=(2048, 1536)
    ),
    Sample(
        "day5-barley-slime-and-white-mould-fixed",
        133,
        WIDE,
        "grey",
        spots={"slime": (70,)},
        mould=((WHITE, 30), (WHITE, 12)),
    ),
    Sample("day6-barley-healthy-fixed", 134, things=(Occluder("label"),)),
    Sample(
        "day6-wheat-white-mould-60mm-phone",
        135,
        mould=((WHITE, 60),),
        spots={"bare": (50,)},
        shelf="wood",
    ),
    Sample("day6-barley-yellowing-fixed", 136, FLAT, "white", ("led", "warm"), yellowing=True),
    Sample(
        "day6-wheat-finger-on-tag-phone",
        137,
        FLAT,
        "green",
        things=(Occluder("finger", 1),),
        shelf="paint",
    ),
    Sample("day6-barley-two-trays-phone", 138, SMALL, others=1, frame=(2048, 1536), shelf="wood"),
    Sample("day6-barley-only-bar-a-phone", 139, tray={"kit": KitParts(bar_b=False, strip=False)}),
    Sample("day6-wheat-dim-light-fixed", 140, MIDDLE, "beige", ("dim", "warm")),
    Sample("day6.5-barley-mould-hidden-under-canopy-fixed", 141, mould=((GREEN, 40), (PINK, 30))),
    Sample("day7-barley-healthy-phone", 142, LONG, light=("window", "day"), frame=(4000, 3000)),
    Sample("day7-wheat-tags-hidden-fixed", 143, FLAT, light=("led", "neutral"), shelf="wood"),
    Sample(
        "day7-barley-white-mould-under-canopy-phone",
        144,
        mould=((WHITE, 80),),
        spots={"bare": (60,)},
    ),
    Sample("day7-wheat-lodged-fixed", 145, MIDDLE, lodging=0.65, shelf="mesh"),
    Sample("day7-barley-no-strip-fixed", 146, tray={"kit": KitParts(strip=False)}, shelf="tiles"),
    Sample(
        "day7-wheat-weak-patchy-phone", 147, plastic="black", weak=True, spots={"bare": (70, 50)}
    ),
    Sample("day8-wheat-overdue-tags-hidden-fixed", 148, LONG, "grey", shelf="wood"),
    Sample(
        "day8-barley-overdue-yellowing-phone", 149, FLAT, yellowing=True, light=("led", "neutral")
    ),
    Sample(
        "day8-barley-tag-on-a-phone-screen-fixed", 150, things=(Occluder("phone"),), shelf="paint"
    ),
    Sample("day8-wheat-black-mould-50mm-phone", 151, mould=((BLACK, 50),), weak=True),
    # One tray under three white lights.
    Sample("day5-barley-neutral-light-fixed", 152, FLAT, light=("led", "neutral")),
    Sample("day5-barley-warm-light-fixed", 152, FLAT, light=("led", "warm")),
    Sample("day5-barley-cool-light-fixed", 152, FLAT, light=("led", "cool")),
)
