"""What was measured on a tray, in sentences: parts of the score, quantities, places, doubts."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.pages.words import Say
from trayvision.measurement import WITHIN_95, give_or_take
from trayvision.quality_flags import Doubt
from trayvision.score.expectations import HEIGHT, MOULD

Record = Mapping[str, Any]

# Fewer points off than this are not worth a word.
WORTH_A_WORD: Final = 0.3
# From the darkest to the brightest place more than this share of the middle: a figure of it helps
# nobody.
_VERY_UNEVEN: Final = 1.0
# Of a tray that was emptied, no more green than this is left.
SURELY_GROWS: Final = 0.1
# As the library's reasons say it: "Shoots 43 mm on day 5", "Whether shoots of 43 mm are usual".
_OWN_HEIGHT: Final = re.compile(r"(?<=[Ss]hoots )\d+(?= mm)|(?<=shoots of )\d+(?= mm)")


@dataclass(frozen=True)
class PartOff:
    """One part of the score: what it took off, and why."""

    name: str
    points: str
    reason: str
    known: bool


@dataclass(frozen=True)
class Measure:
    """One quantity as a sentence's end, such as "Cover" and "84 %, give or take 3 %"."""

    name: str
    words: str


def listed(words: list[str]) -> str:
    """Such as "a, b and c"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def reason_words(part: Record, say: Say) -> str:
    """Why a part of the score took points off, in the room's units."""
    reason = str(part["reason"])
    return say.lengths(reason) if part["name"] == HEIGHT else say.spots(reason)


def scored(tray: Record) -> Record:
    """A tray's score with its shoots as tall in the reasons as they were measured.

    The library's sentences say whole millimetres: rounded again, they would differ from the
    measure that stands beside them.
    """
    height = tray["shoot_height_mm"]["value"]
    score: Record = tray["score"]
    if height is None:
        return score
    parts = [
        {**part, "reason": _OWN_HEIGHT.sub(f"{height:.2f}", part["reason"], count=1)}
        if part["name"] == HEIGHT
        else part
        for part in score["parts"]
    ]
    return {**score, "parts": parts}


def why_it_asks(score: Record, say: Say) -> str:
    """Why one photo by itself asks for a look, without capital and stop; empty where it does not.

    What it says of mould comes first, then what took the largest share of its points off.
    """
    if score.get("attention", "quiet") == "quiet":
        return ""
    off = [part for part in score["parts"] if (part["points_off"] or 0.0) >= WORTH_A_WORD]
    off += [part for part in score["parts"] if part["name"] == MOULD and not part["known"]]
    off.sort(key=lambda part: (part["name"] != MOULD, -(part["points_off"] or 0) / part["weight"]))
    reason = reason_words(off[0], say) if off else score.get("remark") or "worth a look"
    first, _, rest = reason.rstrip(".").partition(". ")
    parts = [f"{words[0].lower()}{words[1:]}" for words in (first, rest) if words]
    return "; ".join(parts)


def points_words(score: Record) -> str:
    """The score, with its bounds where what could not be told may move it far."""
    if score["value"] is None:
        return "no score"
    # Records of earlier versions lack the range.
    known = score.get("range_words")
    return f"{score['value']} of 100" + (f" ({known})" if known else "")


def arithmetic_words(score: Record) -> str:
    """How points off and the cap of mould give the score; empty in records of earlier versions."""
    if score["value"] is None or not score.get("arithmetic"):
        return ""
    spread = f"So it is {score['value']}, give or take {give_or_take(score['uncertainty'])}."
    return " ".join([*score["arithmetic"], spread])


def part_words(
    part: Record, say: Say, *, counts: bool = True, seed_hidden: bool = False
) -> PartOff:
    """A part of the score, and what it took off; nothing where there is no score to `counts`.

    That no mould was seen is no full mark where shoots leave the `seed_hidden`.
    """
    off, most = part["points_off"], part["weight"]
    if not part["known"] or off is None:
        points = "cannot tell" if most else "not asked yet"
    elif not counts:
        points = "no score"
    elif off:
        points = f"{off:.3g} of {most:g} points off"
    elif seed_hidden and part["name"] == MOULD:
        points = "no points off; seed hidden"
    else:
        points = f"all {most:g} points"
    return PartOff(part["name"].capitalize(), points, reason_words(part, say), part["known"])


def measures(tray: Record, say: Say) -> list[Measure]:
    """What was measured, each with what must be given or taken."""
    colour, evenness = tray["colour"], tray["evenness"]
    found = [
        Measure("Shoots cover", _share(tray["cover"])),
        Measure("Canopy at the strip", _length(tray["canopy_height_mm"], say)),
        Measure("Shoots above the bed", _length(tray["shoot_height_mm"], say)),
        Measure("Yellow shoots", _share(colour["yellow_share"])),
        Measure("Dark green colour index", _number(colour["dark_green_colour_index"], 2)),
        Measure("Cover varies over the tray by", _share(evenness["cover_variation"])),
        Measure("Seed on the floor", _share(evenness["seed_layer"])),
        Measure("Could be judged", f"{say.percent(tray['seen'])} of the tray"),
    ]
    if tray["fuzz"]:
        found.append(Measure("Even white fuzz", f"{say.percent(tray['fuzz'])} of the tray"))
    return found


def _number(value: Record, digits: int, unit: str = "", factor: float = 1.0) -> str:
    if value["value"] is None:
        return f"cannot tell. {value.get('remark') or ''}".rstrip()
    more = give_or_take(factor * value["uncertainty"], digits)
    return f"{factor * value['value']:.{digits}f}{unit}, give or take {more}{unit}"


def _share(value: Record) -> str:
    known = value["value"] is not None
    small = known and (value["value"] < 0.01 or WITHIN_95 * value["uncertainty"] < 0.005)
    return _number(value, 1 if small else 0, " %", 100.0)


def _length(value: Record, say: Say) -> str:
    if value["value"] is None:
        return _number(value, 1)
    # Rounded as everywhere on the pages: half a millimetre may go either way.
    shown = {
        "value": say.length_number(value["value"]),
        "uncertainty": value["uncertainty"] / say.mm(1.0),
    }
    return _number(shown, 1, f" {say.room.length_unit}")


def patch_words(patch: Record, say: Say) -> str:
    """A patch of possible mould: look, size, place, likelihood, what else it could be."""
    look = patch["look"].capitalize()
    could_be = patch["confused_with"]
    rest = f" It could also be {listed(could_be)}." if could_be else ""
    place = f", {say.place(patch['x_mm'], patch['y_mm'])}" if "x_mm" in patch else ""
    return f"{look}{_size(patch, say)}{place}: {say.likely(patch['likelihood'])}.{rest}"


def _size(patch: Record, say: Say) -> str:
    if "diameter_mm" in patch:
        return f", {say.spot(patch['diameter_mm'])} across"
    if "area_share" in patch:
        share = 100 * patch["area_share"]
        return f", on {share:.1f} % of the tray" if share >= 0.1 else ", on less than 0.1 % of it"
    return ""


def slime_words(places: list[Record], say: Say) -> list[str]:
    """Wet glossy places."""
    return [f"Wet and glossy{_area(one, say)}: smell it." for one in places]


def _area(place: Record, say: Say) -> str:
    if "area_mm2" in place:
        return f", {say.spot(2 * (place['area_mm2'] / 3.14159) ** 0.5)} across"
    return _size(place, say)


def cannot_tell(tray: Record) -> tuple[str, ...]:
    """What the photo cannot tell, or only with doubt, each once."""
    hidden = [one["reason"] for one in tray["score"]["parts"] if not one["known"] and one["weight"]]
    said = " ".join(hidden)
    return (*hidden, *(sentence for sentence in tray["remarks"] if sentence not in said))


def missing_in_the_log(tray: Record, ages: Mapping[int, str]) -> tuple[str, ...]:
    """What to write down where shoots stand in a tray that the log calls empty.

    Parameters
    ----------
    tray : Record
    ages : mapping of int to str
        How old each tray was by the log, by its number.
    """
    number, cover = tray["tray"], tray["cover"]["value"]
    known = number is None or number in ages or tray["day"] is not None
    if known or cover is None or cover < SURELY_GROWS:
        return ()
    words = (
        f"By the log nothing grew in tray {number} then. Write down when it was spread. Or was "
        "its harvest that of another tray? Then correct on the tray's page of which it was."
    )
    return (words,)


def notes(tray: Record, say: Say) -> list[str]:
    """What this photo could have shown, its sharpness and its light."""
    sharpness, light = tray["sharpness"], tray["light"]
    judged = all(one["known"] for one in tray["score"]["parts"] if one["name"] == "mould")
    told = []
    if sharpness is None:
        told.append("How small a spot this photo could have shown cannot be told without a kit.")
        marked = tray.get("marked")
        if marked:
            size = marked["typed_size"]
            told.append(f"Its corners were marked by hand, its inner size given as {size} mm.")
    elif judged and sharpness["smallest_patch_mm"]["value"] is not None:
        smallest = say.spot(sharpness["smallest_patch_mm"]["value"])
        told.append(
            f"The smallest spot of mould that this photo could have shown in the open is about "
            f"{smallest} across; under shoots a larger one may hide."
        )
    if sharpness is not None and sharpness["mm_per_px"] is not None:
        spread = sharpness["edge_spread_mm"]["value"]
        blur = "" if spread is None else f"; edges are {spread:.1f} mm soft"
        told.append(f"Sharpness: {sharpness['mm_per_px']:.2f} mm a pixel{blur}.")
    if light["white_point_xy"] is None:
        told.append("Light: no white was seen, so colours are as the camera made them.")
    else:
        # Records of earlier versions lack the uncertainty.
        uneven, doubt = light["unevenness"], light.get("unevenness_uncertainty")
        known = "" if doubt is None else f" (give or take {give_or_take(100 * doubt)} %)"
        change = "" if uneven is None else f", brightness changing by {100 * uneven:.0f} %{known}"
        if uneven is not None and uneven > _VERY_UNEVEN:
            change = ", very uneven"
        kind = "coloured" if light["coloured"] else "white"
        if Doubt.MIXED_LIGHT in tray["doubts"]:
            kind = "of several colours"
        told.append(f"Light: {kind}{change} over the tray.")
    return told
