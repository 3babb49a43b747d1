"""The reference kit: chosen on a page, drawn by the library, printed and mounted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.models.runs import NewChore
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.set_up.fields import (
    NOTHING_SAID,
    Fields,
    Said,
    asked,
    number_ranges_in_words,
    plain_number,
    shown_again,
    size_in_words,
    typed_size,
    typed_tray_numbers,
)
from service.pages.words import Say
from service.room.chore_log import KITS_MOUNTED, mounted_numbers
from service.room.room_log import the_room, tray_sizes, trays_by_number
from service.room.things import CHORES
from service.route_arguments import By, TheService
from trayvision.kit.sheets import (
    DEFAULT_LENS_ANGLE_DEG,
    DEFAULT_SHELF_PITCH_MM,
    PAPER_MM,
    write_kit,
)
from trayvision.kit.shelf_camera import ShelfCamera
from trayvision.reference_kit import TraySize

router = APIRouter(include_in_schema=False)

_PDF: Final = f"{addresses.SET_UP_KIT}/kit.pdf"
_LEVELS: Final = (
    ("1", "Level 1: bar A on one end of each tray. Number, place and millimetres."),
    ("2", "Level 2: bar B on the other end. More exact over the whole tray."),
    ("3", "Level 3: a strip with a head on each tray. Height, and colours that can be compared."),
)
_PAPERS: Final = (("a4", "A4"), ("letter", "US Letter"))


@dataclass(frozen=True)
class KitPage:
    """What can be printed, and the form that asks for it."""

    form: Fields
    levels: tuple[tuple[str, str], ...]
    papers: tuple[tuple[str, str], ...]
    registered: str
    own_sizes: tuple[tuple[str, str], ...]
    mounted_form: Fields
    pdf: str
    broken: Mapping[str, str]


@dataclass(frozen=True)
class _Order:
    """What somebody wants printed."""

    trays: tuple[int, ...]
    size: TraySize
    paper: str
    levels: tuple[int, ...]
    camera: ShelfCamera


@router.get(addresses.SET_UP_KIT)
def kit_page(service: TheService, request: Request) -> Response:
    """What to print, how to print it, and how to mount it."""
    with service.database.read() as connection:
        return _show(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_KIT)
def post_mounted(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Writes down which trays carry their kit now."""

    def act() -> Response:
        numbers = number_ranges_in_words(typed_tray_numbers(typed, "mounted")).replace("–", "-")
        new = NewChore(
            kind=KITS_MOUNTED,
            title="Kits printed and mounted",
            done_at=by.at,
            details={"trays": numbers},
        )
        with service.database.write() as connection:
            chore = CHORES.add(connection, new, by)
        words = f"Kits are mounted: {numbers.replace('-', '–')}."
        return done(addresses.SET_UP, words, undo=[Entry("chore", chore.entry_id)])

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show(request, connection, said)

    return answered(typed, act, shown_again(service, "mounted", shown))


@router.get(_PDF)
def kit_pdf(service: TheService, request: Request) -> Response:
    """The kit as a PDF at true scale, made now."""
    typed = asked(request)

    def act() -> Response:
        with service.database.read() as connection:
            order = _order(typed, connection, Say(the_room(connection), service.clock()))
        name = f"trayvision-kit-{number_ranges_in_words(order.trays)}-{order.paper}.pdf"
        plain = name.replace("–", "-").replace(", ", "_")[:120]
        headers = {"Content-Disposition": f'inline; filename="{plain}"'}
        return Response(_drawn(order), media_type="application/pdf", headers=headers)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show(request, connection, said)

    return answered(typed, act, shown_again(service, "form", shown))


def _drawn(order: _Order) -> bytes:
    with TemporaryDirectory(prefix="trayvision-kit-") as folder:
        path = Path(folder) / "kit.pdf"
        write_kit(
            path,
            trays=order.trays,
            size=order.size,
            paper="letter" if order.paper == "letter" else "a4",
            levels=order.levels,
            camera=order.camera,
        )
        return path.read_bytes()


def _order(typed: Typed, connection: sa.Connection, say: Say) -> _Order:
    numbers = typed_tray_numbers(typed, "trays")
    paper = typed.text("paper") or "a4"
    if paper not in PAPER_MM:
        raise Refusal("paper", f"must be one of {', '.join(PAPER_MM)}, got {paper[:20]!r}")
    levels = tuple(sorted({int(text) for text in typed.texts("level") if text in ("1", "2", "3")}))
    if not levels:
        raise Refusal("level", "must be at least one of the three")
    size = typed_size(typed) or _size_of(connection, numbers, say)
    return _Order(numbers, TraySize.parse(size), paper, levels, typed_shelf_camera(typed, say))


def _size_of(connection: sa.Connection, numbers: tuple[int, ...], say: Say) -> str:
    """The one size that trays are registered with. Raises Refusal."""
    own = tray_sizes(connection)
    by_size: dict[str, list[int]] = {}
    for number in numbers:
        by_size.setdefault(own.get(number, say.room.tray_size), []).append(number)
    if len(by_size) > 1:
        told = "; ".join(
            f"{number_ranges_in_words(trays)}: {size}" for size, trays in by_size.items()
        )
        raise Refusal("trays", f"must be of one size in one print, got {told}")
    return next(iter(by_size))


def typed_shelf_camera(typed: Typed, say: Say) -> ShelfCamera:
    """A camera under the next shelf, by shelf pitch in the room's unit and lens angle.

    Raises
    ------
    Refusal
        If one of them is no number or out of range.
    """
    pitch = typed.number("shelf_pitch")
    angle = typed.number("lens_angle")
    try:
        return ShelfCamera.under_shelf(
            DEFAULT_SHELF_PITCH_MM if pitch is None else say.mm(pitch),
            DEFAULT_LENS_ANGLE_DEG if angle is None else angle,
        )
    except ValueError as error:
        raise _camera_refusal(error, say) from error


def _camera_refusal(error: ValueError, say: Say) -> Refusal:
    if "angle" in str(error):
        return Refusal("lens_angle", str(error).removeprefix("lens_angle_deg ") + " degrees")
    least = say.length(40.0)
    return Refusal("shelf_pitch", f"must be above {least}: the camera itself hangs down so far")


def _of_one_size(numbers: Sequence[int], own: Mapping[int, str]) -> list[int]:
    """Those of one size, which is one print: of the room's where there are such."""
    sizes = [own.get(number) for number in numbers]
    first = None if None in sizes else next(iter(sizes), None)
    return [number for number in numbers if own.get(number) == first]


def _show(request: Request, connection: sa.Connection, said: Said) -> Response:
    room = the_room(connection)
    say = Say(room, request.app.state.service.clock())
    numbers = list(trays_by_number(connection))
    own = tray_sizes(connection)
    by_size: dict[str, list[int]] = {}
    for number, size in own.items():
        by_size.setdefault(size, []).append(number)
    mounted = mounted_numbers(connection)
    without = [number for number in numbers if number not in mounted]
    to_print = number_ranges_in_words(_of_one_size(without or numbers, own)).replace("–", "-")
    held = {
        "trays": request.query_params.get("trays", "")[:200] or to_print or "1-12",
        "level": ("1",),
        "paper": "a4",
        "tray_size_unit": "mm",
        "shelf_pitch": plain_number(say.length_number(DEFAULT_SHELF_PITCH_MM)),
        "lens_angle": plain_number(DEFAULT_LENS_ANGLE_DEG),
    }
    page = KitPage(
        said.fields("form", held),
        _LEVELS,
        _PAPERS,
        number_ranges_in_words(numbers),
        tuple(
            (number_ranges_in_words(trays), size_in_words(size, room.length_unit))
            for size, trays in sorted(by_size.items())
        ),
        said.fields("mounted", {"mounted": number_ranges_in_words(without).replace("–", "-")}),
        _PDF,
        said.broken,
    )
    return show(request, connection, "set_up/kit.html", page, here=addresses.MORE)
