"""What a fixed camera's last photo says about the camera itself, in words."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import atan, degrees, dist
from statistics import mean, median
from typing import Any, Final

import sqlalchemy as sa

from service.cameras.camera_health import closed
from service.models.cameras import Camera, CameraHealth, ShotOutcome
from service.models.photos import PhotoOut
from service.pages.set_up.fields import number_ranges_in_words
from service.pages.set_up.shelf_camera import blind_in_words, room_canopy
from service.pages.words import CANNOT_TELL, Say
from service.photos.photo_log import PhotoSearch, hashes_of_camera, photo_ids, photos_out
from service.photos.photo_store import PhotoStore
from service.photos.pose_records import POSES_NAME
from service.room.room_log import shelf_names, shelf_of, tray_sizes, trays_by_number
from trayvision.kit.shelf_camera import ShelfCamera
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize

Record = Mapping[str, Any]
# Tags are placed far more exactly; a tray that was lifted and put back comes within a few mm.
_MOVED_MM: Final = 15.0
# Photos of a high canopy rest on poses from before it hid the tags; those keep none.
_LENS_PHOTOS: Final = 60
# A leaf's width: what is smaller cannot be told from it.
_FINE_PATCH_MM: Final = 5.0
# What can be helped at the camera or the lamps; dark, fogged and blurred are told by its tries.
_OF_THE_PICTURE: Final = frozenset(
    {
        *(Doubt.GREYSCALE, Doubt.COLOURED_LIGHT, Doubt.MIXED_LIGHT, Doubt.UNEVEN_LIGHT),
        *(Doubt.CLIPPED, Doubt.NO_WHITE, Doubt.TOO_COARSE, Doubt.TOO_LITTLE_SEEN),
        *(Doubt.OUT_OF_FRAME, Doubt.STEEP_VIEW),
    }
)


@dataclass(frozen=True)
class CameraCheck:
    """The last photo of a camera, and what it says of the camera.

    Parameters
    ----------
    photo : PhotoOut or None
    answer : str
        In a sentence: whether it can do its work.
    facts : tuple of (str, str)
        What was looked at, and what was found.
    """

    photo: PhotoOut | None
    answer: str
    facts: tuple[tuple[str, str], ...]


def camera_check(
    connection: sa.Connection, store: PhotoStore, camera: Camera, health: CameraHealth, say: Say
) -> CameraCheck:
    """What is known of a camera from its photos and its tries."""
    photos = _last_photos(connection, camera.id)
    if not photos:
        return CameraCheck(None, _without_photo(health), ())
    photo, before = photos[0], photos[1] if len(photos) > 1 else None
    trays = [tray for tray in photo.trays if tray["tray"] is not None]
    lens = _lens(connection, store, camera.id)
    facts = (
        ("Taken", f"{say.moment(photo.taken_at)}, {say.ago(photo.taken_at)}"),
        ("Trays read", _trays(photo, trays)),
        *_elsewhere(connection, camera, photo, trays),
        ("Detail", _detail(trays)),
        ("Smallest spot it can show", _smallest(trays)),
        ("The picture", _picture(trays, health)),
        ("Moved", _moved(trays, before)),
        ("How high it looks from", _height(trays, say)),
        ("Blind from", _blind(connection, lens, trays, say)),
    )
    return CameraCheck(photo, _answer(trays, health), facts)


def _last_photos(connection: sa.Connection, camera_id: int) -> list[PhotoOut]:
    search = PhotoSearch(camera_id=camera_id, limit=2)
    return photos_out(connection, photo_ids(connection, search))


def _without_photo(health: CameraHealth) -> str:
    if health.consecutive_failures and health.last_error is not None:
        return f"No photo yet. Its last try: {closed(health.last_error)}"
    if any(shot.outcome == ShotOutcome.SAME for shot in health.shots):
        return "It answers, but its picture is in the log already: none of its own yet."
    return "No photo yet: whether it can see the kit cannot be told."


def _answer(trays: Sequence[Record], health: CameraHealth) -> str:
    if health.consecutive_failures and health.last_error is not None:
        return f"It gave no photo at its last try: {closed(health.last_error)}"
    if not trays:
        return "It gives photos, but no tray can be read in the last one."
    numbers = number_ranges_in_words({tray["tray"] for tray in trays})
    seen = f"It sees tray {numbers}" if len(trays) == 1 else f"It sees trays {numbers}"
    return f"{seen}." if health.ok else f"{seen}, but its picture needs a look."


def _trays(photo: PhotoOut, trays: Sequence[Record]) -> str:
    parts = [number_ranges_in_words({tray["tray"] for tray in trays})] if trays else []
    parts += [one["problem"] for one in photo.not_measured]
    if not parts:
        parts = [photo.problem or CANNOT_TELL]
    return " ".join(map(closed, parts)) if len(parts) > 1 else parts[0]


def _elsewhere(
    connection: sa.Connection, camera: Camera, photo: PhotoOut, trays: Sequence[Record]
) -> list[tuple[str, str]]:
    """What the log says of trays that were seen and do not stand on the camera's shelf."""
    if camera.shelf_id is None:
        return []
    known, by_shelf = trays_by_number(connection), dict[int, set[int]]()
    for number in {tray["tray"] for tray in trays} & known.keys():
        shelf_id = shelf_of(connection, known[number]["id"], photo.taken_at)
        if shelf_id is not None and shelf_id != camera.shelf_id:
            by_shelf.setdefault(shelf_id, set()).add(number)
    names = shelf_names(connection)
    stand = [
        f"{'trays' if len(numbers) > 1 else 'tray'} {number_ranges_in_words(numbers)} on "
        f"{names.get(shelf_id, 'a shelf that is no more')}"
        for shelf_id, numbers in sorted(by_shelf.items())
    ]
    if not stand:
        return []
    asks = "Does it look at another shelf, or was something moved and not written down?"
    return [("By the log elsewhere", f"{', '.join(stand)}. {asks}")]


def _detail(trays: Sequence[Record]) -> str:
    scales = [tray["sharpness"]["mm_per_px"] for tray in trays if tray["sharpness"] is not None]
    known = [scale for scale in scales if scale is not None]
    return f"{max(known):.2f} mm a pixel" if known else f"{CANNOT_TELL} without a tray"


def _smallest(trays: Sequence[Record]) -> str:
    patches = [
        tray["sharpness"]["smallest_patch_mm"]["value"]
        for tray in trays
        if tray["sharpness"] is not None
    ]
    known = [patch for patch in patches if patch is not None]
    if not known:
        return f"{CANNOT_TELL} without a tray"
    words = f"{max(known):.1f} mm across"
    if max(known) > _FINE_PATCH_MM:
        return f"{words}: a mould's first spots are smaller. Hang it nearer, or focus it"
    return words


def _picture(trays: Sequence[Record], health: CameraHealth) -> str:
    wrong = []
    if health.dark:
        wrong.append("dark: are the lamps on at its times?")
    if health.fogged:
        wrong.append("fogged: wipe the lens, wait two minutes, keep it from being the coldest spot")
    if health.blurred:
        wrong.append("blurred: focus it, wipe the lens")
    if health.frozen:
        wrong.append("the very same again and again: does the camera hang?")
    said = {
        doubt.sentence
        for tray in trays
        for name in tray["doubts"]
        if (doubt := Doubt.named(name)) in _OF_THE_PICTURE and doubt is not None
    }
    if not wrong and not said:
        return "light enough, lens clear, sharp" if trays else "nothing to say against it"
    return " ".join([*(f"{part[0].upper()}{part[1:]}." for part in wrong), *sorted(said)])


def _moved(trays: Sequence[Record], before: PhotoOut | None) -> str:
    """How far the kit's tags lie from where the photo before had them."""
    old = {tray["tray"]: tray for tray in (before.trays if before is not None else ())}
    shifts = [
        shift
        for tray in trays
        if tray["tray"] in old and (shift := _shift_mm(tray, old[tray["tray"]])) is not None
    ]
    if not shifts:
        return f"{CANNOT_TELL}: no earlier photo shows the same tray"
    moved = median(shifts)
    if moved > _MOVED_MM:
        return f"by about {moved:.0f} mm since the photo before: the camera, or the tray"
    return "no: the kit lies where it lay in the photo before"


def _shift_mm(tray: Record, old: Record) -> float | None:
    if tray["pose"] is None or old["pose"] is None or tray["sharpness"] is None:
        return None
    now, then = tray["pose"]["corners_px"], old["pose"]["corners_px"]
    shared = sorted(now.keys() & then.keys())
    scale = tray["sharpness"]["mm_per_px"]
    if not shared or scale is None:
        return None
    return median(dist(_middle(now[tag]), _middle(then[tag])) for tag in shared) * float(scale)


def _middle(corners: Sequence[Sequence[float]]) -> tuple[float, float]:
    return mean(corner[0] for corner in corners), mean(corner[1] for corner in corners)


def _height(trays: Sequence[Record], say: Say) -> str:
    heights = [
        height
        for tray in trays
        if tray["pose"] is not None and (height := tray["pose"].get("camera_height_mm")) is not None
    ]
    if not heights:
        return f"{CANNOT_TELL} without a tray"
    return f"about {say.length(median(heights))} above the rim"


def _blind(
    connection: sa.Connection,
    lens: tuple[float, float] | None,
    trays: Sequence[Record],
    say: Say,
) -> str:
    """From which day a canopy no longer fits, by the height and angle that the photos show."""
    placed = [tray for tray in trays if tray["pose"] is not None]
    if not placed:
        return f"{CANNOT_TELL} without a tray"
    if lens is None:
        return f"{CANNOT_TELL}: its photos do not show how wide the lens looks"
    angle, aspect = lens
    sizes = tray_sizes(connection)
    size = TraySize.parse(sizes.get(placed[0]["tray"], say.room.tray_size))
    above_rim = median(tray["pose"]["camera_height_mm"] for tray in placed)
    try:
        camera = ShelfCamera(above_rim + size.depth_mm, angle, aspect)
    except ValueError:
        return CANNOT_TELL
    words = blind_in_words(camera, size, room_canopy(connection))
    return f"{words} Counted for a tray right under it, and {angle:.0f}° along its long side."


def _lens(
    connection: sa.Connection, store: PhotoStore, camera_id: int
) -> tuple[float, float] | None:
    """Angle along the long side in degrees, and long over short side, as last fitted to tags."""
    for sha256 in hashes_of_camera(connection, camera_id, most=_LENS_PHOTOS):
        try:
            poses = json.loads(store.derived(sha256, POSES_NAME).read_bytes())
        except (OSError, ValueError):
            continue
        if poses:
            camera = poses[0]["camera"]
            long_px, short_px = sorted((camera["width"], camera["height"]), reverse=True)
            focal = (camera["fx"] + camera["fy"]) / 2
            return degrees(2 * atan(long_px / 2 / focal)), long_px / short_px
    return None
