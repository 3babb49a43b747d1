"""Followed patches of possible mould in words: how large when, how fast, how likely."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.flags.tray_patches import FollowedPatch, PatchSeen, TrayPatches
from service.models.flags import FlagOut, FlagState
from service.pages import addresses
from service.pages.flags.verdict_words import verdict_words
from service.pages.words import Say
from trayvision.attention.flags import FlagKind, flag_key
from trayvision.measurement import WITHIN_95
from trayvision.warning.patch_growth import GrowthRate

_COULD_NOT_SHOW = 0.5
_MOST_PICTURES = 8


@dataclass(frozen=True)
class SeenShown:
    """Its place in one photo; `likely` is empty where it was not seen."""

    when: str
    size: str
    likely: str
    picture: str
    alt: str


@dataclass(frozen=True)
class PatchShown:
    """One followed patch.

    Parameters
    ----------
    name : str
        What it looks like and where it lies.
    growth : str
    likely : str
        How sure, from all photos together where a flag was raised on it.
    seen : tuple of SeenShown
        Its last photos, oldest first.
    left_out : int
        Earlier photos that are not shown.
    """

    name: str
    growth: str
    likely: str
    seen: tuple[SeenShown, ...]
    left_out: int


@dataclass(frozen=True)
class PatchesShown:
    """Patches of a run, the likeliest first, and what is said of the rest."""

    patches: tuple[PatchShown, ...]
    rest: str


def patches_shown(
    number: int, patches: TrayPatches, flags: Sequence[FlagOut], say: Say
) -> PatchesShown:
    """Patches of one run as its tray's page shows them.

    Parameters
    ----------
    number : int
        Of the tray.
    patches : TrayPatches
    flags : sequence of FlagOut
        Of the run, open and past.
    say : Say
    """
    return PatchesShown(
        tuple(_patch(number, patch, _flag_of(patch, flags), say) for patch in patches.followed),
        _rest(patches),
    )


def _rest(patches: TrayPatches) -> str:
    if not patches.fainter:
        return ""
    if patches.fainter == 1:
        return "One fainter spot that no second photo showed is not listed."
    return f"{patches.fainter} fainter spots that no second photo showed are not listed."


def _flag_of(patch: FollowedPatch, flags: Sequence[FlagOut]) -> FlagOut | None:
    """The last flag of a patch; its key names the run as it was entered then."""
    place = f"{patch.first.x_mm:.0f},{patch.first.y_mm:.0f}"

    def tells(flag: FlagOut) -> bool:
        key = flag_key(FlagKind.POSSIBLE_MOULD, flag.run_id, place)
        return key in flag.evidence.get("keys", ())

    return next(filter(tells, flags), None)


def _patch(number: int, patch: FollowedPatch, flag: FlagOut | None, say: Say) -> PatchShown:
    last = [one.sighting for one in patch.seen if one.sighting is not None][-1]
    shown = patch.seen[-_MOST_PICTURES:]
    return PatchShown(
        name=f"{last.look.capitalize()} {say.place(last.x_mm, last.y_mm)}",
        growth=_growth(patch.growth),
        likely=_likely(patch, flag, say),
        seen=tuple(_seen(number, patch, one, say) for one in shown),
        left_out=len(patch.seen) - len(shown),
    )


def _likely(patch: FollowedPatch, flag: FlagOut | None, say: Say) -> str:
    alone = f"by its clearest photo alone: {say.likely(patch.likelihood)}"
    if flag is None:
        return f"No look was asked for; {alone}."
    confidence = flag.evidence.get("confidence")
    answer = "" if flag.verdict is None else f" Answered: {verdict_words(flag.verdict)}."
    asked = "A look is asked for" if flag.state is FlagState.OPEN else "A look was asked for"
    if confidence is None:
        return f"{asked}; {alone}.{answer}"
    return f"{asked}; by all photos together: {say.likely(confidence)}; {alone}.{answer}"


def _growth(rate: GrowthRate | None) -> str:
    if rate is None:
        return "seen once: how it spreads cannot be told yet"
    reach = WITHIN_95 * rate.uncertainty_mm_per_day
    spread = f"{rate.mm_per_day:.1f} mm a day, give or take {reach:.1f} mm"
    if rate.mm_per_day > reach:
        return f"spreading to each side, {spread}"
    return f"no growth that can be told from the outline's own scatter, {spread}"


def _seen(number: int, patch: FollowedPatch, one: PatchSeen, say: Say) -> SeenShown:
    when = say.moment(one.taken_at)
    picture = addresses.tray_place(number, one.photo_id, _cut(patch))
    if one.sighting is None:
        hidden = one.could_show < _COULD_NOT_SHOW
        said = "hidden, or too small for this photo" if hidden else "not seen"
        return SeenShown(when, said, "", picture, f"The same place from above, {when}: {said}.")
    sighting = one.sighting
    size = f"{say.spot(sighting.diameter_mm)} across"
    alt = f"The place from above, ringed, {when}: {sighting.look}, {size}."
    return SeenShown(when, size, say.likely(sighting.likelihood), picture, alt)


def _cut(patch: FollowedPatch) -> tuple[tuple[str, float], ...]:
    """All pictures of a patch show one place at one scale: where it was last, at its widest."""
    sightings = [one.sighting for one in patch.seen if one.sighting is not None]
    last, widest = sightings[-1], max(one.diameter_mm for one in sightings)
    return ("x", last.x_mm), ("y", last.y_mm), ("across", widest)
