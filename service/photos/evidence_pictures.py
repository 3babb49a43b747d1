"""Crops of a tray's straight-down views: one place now and last time, at one scale."""

from io import BytesIO
from pathlib import Path
from typing import Any, Final, Literal

from PIL import Image, ImageDraw

from service.context import Service
from service.flags.flag_log import flag_out
from service.log.refusals import NotFound
from service.photos.photo_changes import picture
from trayvision.overlay.text import INK, PAPER, Type

Role = Literal["now", "before"]

# The place with as much again of its surroundings to each side, to tell where it lies.
_SURROUNDINGS: Final = 3.0
_LEAST_MM: Final = 80.0
_MOST_MM: Final = 260.0
_SIZE_PX: Final = 640
_RING_GAP_MM: Final = 4.0
_BAR_SHARE: Final = 0.4
_JPEG_QUALITY: Final = 90


def evidence_picture(service: Service, flag_id: int, role: Role, place: int = 0) -> bytes:
    """One place of a flag's evidence as a JPEG, the same cut for both roles.

    Parameters
    ----------
    service : Service
    flag_id : int
    role : "now" or "before"
    place : int
        Which of the flag's places, the strongest first.

    Raises
    ------
    NotFound
        If there is no such flag or place, or no earlier photo.
    Conflict
        If the view is missing and its original was let go.
    """
    with service.database.read() as connection:
        flag = flag_out(connection, flag_id, service.clock())
    places = flag.evidence.get("places", [])
    if place >= len(places):
        raise NotFound("place", f"{place} of flag {flag_id}")
    shown = places[place]
    photo = shown[role]
    if photo is None:
        raise NotFound("photo", f"an earlier one for flag {flag_id}")
    return draw_place(picture(service, photo["photo_id"], f"tray-{shown['tray']}.jpg"), shown)


def draw_place(view: Path, place: dict[str, Any]) -> bytes:
    """Cut one place out of a view of 1 mm a pixel and mark it; the whole tray without a place."""
    with Image.open(view) as opened:
        whole = opened.convert("RGB")
    if place["x_mm"] is None:
        box, ring_mm = (0.0, 0.0, float(whole.width), float(whole.height)), None
    else:
        box, ring_mm = _cut(whole.size, place), place["diameter_mm"] / 2 + _RING_GAP_MM
    px_per_mm = _SIZE_PX / (box[2] - box[0])
    size = (_SIZE_PX, round(px_per_mm * (box[3] - box[1])))
    crop = whole.resize(size, Image.Resampling.BICUBIC, box=box)
    draw = ImageDraw.Draw(crop)
    if ring_mm is not None:
        at = _in_view(whole.size, place)
        _ring(draw, [px_per_mm * (at[i] - box[i]) for i in (0, 1)], px_per_mm * ring_mm)
    _length_bar(draw, size, px_per_mm)
    file = BytesIO()
    crop.save(file, "JPEG", quality=_JPEG_QUALITY)
    return file.getvalue()


def _in_view(size: tuple[int, int], place: dict[str, Any]) -> tuple[float, float]:
    """Column and row of a place: row 0 is the +Y side."""
    return place["x_mm"] + size[0] / 2, size[1] / 2 - place["y_mm"]


def _cut(size: tuple[int, int], place: dict[str, Any]) -> tuple[float, float, float, float]:
    """A square around a place, moved inside the view where it would reach beyond."""
    side = min(max(_SURROUNDINGS * place["diameter_mm"], _LEAST_MM), _MOST_MM, *size)
    left, top = (
        min(max(centre - side / 2, 0.0), length - side)
        for centre, length in zip(_in_view(size, place), size, strict=True)
    )
    return left, top, left + side, top + side


def _ring(draw: ImageDraw.ImageDraw, centre: list[float], radius: float) -> None:
    # Light on dark shows on white mould and on brown seed alike.
    for ink, width in ((INK, 7), (PAPER, 3)):
        reach = radius + width / 2
        x, y = centre
        draw.ellipse((x - reach, y - reach, x + reach, y + reach), outline=ink, width=width)


def _length_bar(draw: ImageDraw.ImageDraw, size: tuple[int, int], px_per_mm: float) -> None:
    lengths = [length for length in (100, 50, 20, 10) if length * px_per_mm <= _BAR_SHARE * size[0]]
    length = lengths[0] if lengths else 5
    type_ = Type(26)
    text, bar = f"{length} mm", length * px_per_mm
    left, bottom = 18.0, size[1] - 18.0
    width = max(bar, type_.width(text))
    draw.rectangle((left - 8, bottom - 44, left + width + 8, bottom + 8), fill=PAPER)
    draw.rectangle((left, bottom - 6, left + bar, bottom), fill=INK)
    type_.draw(draw, (left, bottom - 42), text, fill=INK)
