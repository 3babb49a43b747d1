"""What a photo says, in sentences: its answer first, then the reasons, then what it cannot tell."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from service.models.photos import PhotoOut, TakenAtFrom
from service.pages.photos.measure_words import (
    Measure,
    PartOff,
    Record,
    arithmetic_words,
    cannot_tell,
    listed,
    measures,
    missing_in_the_log,
    notes,
    part_words,
    patch_words,
    points_words,
    reason_words,
    scored,
    slime_words,
)
from service.pages.photos.photo_standing import NOTHING_STANDS, Standing, Standings
from service.pages.tray.tray_misfit import Misfit
from service.pages.words import Say
from trayvision.quality_flags import Doubt
from trayvision.score.parts import shoots_hide_seed

_WORTH_A_WORD: Final = 0.3
_URGENCY: Final = ("quiet", "look", "hold")
_BY_HAND: Final = str(Doubt.CORNERS_BY_HAND)


@dataclass(frozen=True)
class TrayWords:
    """One tray in one photo.

    Parameters
    ----------
    number : int or None
        None where no tag and nobody told.
    name : str
        Such as "Tray 17, day 5".
    level : str
        "quiet", "look" or "hold".
    answer : str
        What follows its name, such as "84 of 100, nothing asks for a look".
    score : int or None
    reasons : tuple of str
        What took most points off, or why there is no score.
    suggestions : tuple of str
    parts : tuple of PartOff
    measures : tuple of Measure
    patches : tuple of str
        Places of possible mould and slime.
    cannot_tell : tuple of str
    notes : tuple of str
        What this photo could have shown; light and sharpness.
    mould : bool
        Whether the cautions about mould apply.
    """

    number: int | None
    name: str
    level: str
    answer: str
    score: int | None
    arithmetic: str
    reasons: tuple[str, ...]
    suggestions: tuple[str, ...]
    parts: tuple[PartOff, ...]
    measures: tuple[Measure, ...]
    patches: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    notes: tuple[str, ...]
    mould: bool

    @property
    def sentence(self) -> str:
        """Name and answer."""
        return f"{self.name}: {self.answer}."


@dataclass(frozen=True)
class PhotoWords:
    """One photo: `answer` is the first line of its page, `marked` whether corners were.

    Where no moment is known, `taken` is when it came in. `standing` is what stands open on its
    trays whatever this photo shows, `by_hand` that a person named another tray than its tags.
    """

    id: int
    answer: str
    what_to_do: str | None
    level: str
    trays: tuple[TrayWords, ...]
    not_measured: tuple[str, ...]
    taken: str
    moment_known: bool
    watering: str
    picture: str | None
    thumbnail: str | None
    marked: bool
    alt: str
    misfit: Misfit | None = None
    standing: tuple[Standing, ...] = ()
    by_hand: str = ""

    @property
    def own_level(self) -> str:
        """What this photo asks for beside what stands open already; empty where nothing."""
        said = {"quiet", *(one.level for one in self.standing)}
        return "" if self.level in said else self.level


def photo_words(
    photo: PhotoOut,
    say: Say,
    ages: Mapping[int, str],
    *,
    misfit: Misfit | None = None,
    standing: Standings = NOTHING_STANDS,
) -> PhotoWords:
    """Say what a photo shows.

    Parameters
    ----------
    photo : PhotoOut
    say : Say
    ages : mapping of tray number to words
        How old each tray was when the photo was taken, such as "day 5".
    misfit : Misfit, optional
        The tray that it shows and that is not of the size that the log says.
    standing : Standings, optional
        How things stand with the trays that it shows, whatever it shows itself.
    """
    trays = tuple(_beside_all_photos(_tray(one, photo, say, ages), standing) for one in photo.trays)
    own = max((one.level for one in trays), key=_URGENCY.index, default="quiet")
    level = max((own, *(one.level for one in standing.opened)), key=_URGENCY.index)
    # What asks for a look comes before a size that is wrong.
    answer = misfit.words if misfit is not None and own == "quiet" else _answer(photo, trays)
    if own == "quiet" and standing.opened:
        # That one photo shows nothing takes nothing back.
        opened = _sentence(listed([one.words for one in standing.opened]))
        answer = f"{opened}. This photo alone: {answer}"
    by_hand = _by_hand(photo)
    if by_hand:
        answer = f"{by_hand} Measured as {answer[0].lower()}{answer[1:]}"
    return PhotoWords(
        id=photo.id,
        answer=answer,
        what_to_do=None if trays and misfit is None else _what_to_do(photo, misfit),
        level=level,
        trays=trays,
        not_measured=tuple(one["problem"] for one in photo.not_measured) if trays else (),
        taken=say.moment(photo.taken_at),
        moment_known=photo.taken_at_from is not TakenAtFrom.RECEIVED,
        watering={"before": "before watering", "after": "after watering"}.get(
            photo.watering, "watering not said"
        ),
        # What was let go by rule is not drawn again: its thumbnail stays.
        picture=photo.overlay or (photo.picture if photo.original else photo.thumbnail),
        thumbnail=photo.thumbnail,
        marked=any(tray.get("marked") for tray in photo.trays),
        alt=_alt(photo, say),
        misfit=misfit,
        standing=standing.opened,
        by_hand=by_hand,
    )


def _beside_all_photos(tray: TrayWords, standing: Standings) -> TrayWords:
    """A tray with what this photo says told apart from what all its photos together say."""
    if any(one.tray == tray.number and one.sure for one in standing.opened):
        alone = "may be mould; by this photo alone: "
        return replace(tray, answer=tray.answer.replace("may be mould, ", alone))
    if tray.level == "quiet" or tray.number not in standing.quiet:
        return tray
    joint = ". Over" if ". " in tray.answer else "; over"
    return replace(tray, answer=f"{tray.answer}{joint} the days nothing stands out")


def _by_hand(photo: PhotoOut) -> str:
    """That a person named other trays than the tags do, where one tray was read; else empty."""
    said = photo.assigned_trays
    read = [tray["tray"] for tray in photo.trays if tray["tray"] is not None]
    if not said or len(read) != 1 or read[0] in said:
        return ""
    named = _sentence(listed([f"tray {number}" for number in said]))
    return f"{named}, as somebody said; its tags name tray {read[0]}."


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}"


def _alt(photo: PhotoOut, say: Say) -> str:
    """What the picture is; what it shows stands in the words beside it."""
    drawn = "with what was measured drawn on it" if photo.overlay else "as it was taken"
    return f"Photo of {say.moment(photo.taken_at)}, {drawn}"


def _answer(photo: PhotoOut, trays: tuple[TrayWords, ...]) -> str:
    if not trays:
        said = listed([f"tray {number}" for number in photo.assigned_trays])
        whose = f" {said.capitalize()} by hand." if said else ""
        return f"No tray could be read: {_own_sentence(photo.problem or '')}{whose}"
    if len(trays) == 1:
        return trays[0].sentence
    wanted = [one.name for one in trays if one.level != "quiet"]
    asks = f"{listed(wanted)} ask for a look" if len(wanted) > 1 else ""
    if len(wanted) == 1:
        asks = f"{wanted[0]} asks for a look"
    return f"{len(trays)} trays: {asks or 'nothing asks for a look'}."


def _own_sentence(problem: str) -> str:
    text = problem.strip() or "the photo says nothing."
    return text[0].lower() + text[1:]


def _what_to_do(photo: PhotoOut, misfit: Misfit | None) -> str:
    if misfit is not None:
        return (
            "Say its inner size, then measure this photo again. Where the size is right, look "
            "whether a bar has slipped or stands on another tray."
        )
    if photo.width is None:
        return "Take it again with the camera, or choose another file: JPEG and PNG can be read."
    return (
        "Wipe tags and lens and take it again from above, the whole tray and both its bars in the "
        "picture. Or say below which tray it is; a tray without a kit can be marked by its corners."
    )


def _tray(tray: Record, photo: PhotoOut, say: Say, ages: Mapping[int, str]) -> TrayWords:
    score = scored(tray)
    level = score.get("attention", "quiet")
    counts = score["value"] is not None
    hidden = shoots_hide_seed(tray["cover"]["value"])
    parts = tuple(part_words(one, say, counts=counts, seed_hidden=hidden) for one in score["parts"])
    lost = sorted(
        (one for one in score["parts"] if (one["points_off"] or 0) >= _WORTH_A_WORD),
        key=lambda one: -one["points_off"],
    )
    return TrayWords(
        number=tray["tray"],
        name=_name(tray, photo, ages),
        level=level,
        answer=_tray_answer(tray, level, say),
        score=score["value"],
        arithmetic=arithmetic_words(score),
        reasons=tuple(reason_words(one, say) for one in lost) or _no_reasons(score, say),
        suggestions=(*score.get("suggestions", ()), *missing_in_the_log(tray, ages)),
        parts=parts,
        measures=tuple(measures(tray, say)),
        patches=(
            *(patch_words(one, say) for one in tray["mould"]),
            *slime_words(tray["slime"], say),
        ),
        cannot_tell=cannot_tell(tray),
        notes=tuple(notes(tray, say)),
        mould=level == "hold" or any(one["likelihood"] >= 0.3 for one in tray["mould"]),
    )


def _name(tray: Record, photo: PhotoOut, ages: Mapping[int, str]) -> str:
    number = tray["tray"]
    if number is None:
        by_hand = listed([f"tray {one}" for one in photo.assigned_trays]).capitalize()
        marked = "The marked tray" if _BY_HAND in tray.get("doubts", ()) else "The whole photo"
        return by_hand or marked
    day = ages.get(number) or ("" if tray["day"] is None else f"day {int(tray['day'])}")
    return f"Tray {number}, {day}" if day else f"Tray {number}"


def _tray_answer(tray: Record, level: str, say: Say) -> str:
    score = tray["score"]
    points = points_words(score)
    patches = [one for one in tray["mould"] if one["likelihood"] >= _WORTH_A_WORD]
    if patches:
        worst = max(patches, key=lambda one: one["likelihood"])
        which = "one spot" if len(patches) == 1 else f"{len(patches)} spots, the likeliest"
        size = f" of {say.spot(worst['diameter_mm'])}" if "diameter_mm" in worst else ""
        return f"{points}, {which}{size} may be mould, {say.likely(worst['likelihood'])}"
    if score["value"] is None:
        return f"no score. {(score.get('remark') or 'Too little could be told').rstrip('.')}"
    return f"{points}, {'nothing asks for a look' if level == 'quiet' else 'worth a look'}"


def _no_reasons(score: Record, say: Say) -> tuple[str, ...]:
    if score["value"] is None:
        return tuple(filter(None, [score.get("remark")]))
    return tuple(reason_words(one, say) for one in score["parts"] if one["known"])[:2]
