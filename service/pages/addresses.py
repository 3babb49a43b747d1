"""Where each page lies: the one place that builds links between pages."""

from collections.abc import Iterable
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Final
from urllib.parse import quote, urlencode

STATIC_FOLDER: Final = Path(__file__).parents[1] / "static"

NOW: Final = "/"
SNAP: Final = "/snap"
PHOTOS: Final = "/photos"
WORKER: Final = "/worker.js"
ROOM: Final = "/room"
SHELVES: Final = "/shelves"
MORE: Final = "/more"
SET_UP: Final = "/set-up"
SET_UP_ROOM: Final = "/set-up/room"
SET_UP_UNITS: Final = "/set-up/units"
SET_UP_RACKS: Final = "/set-up/racks"
SET_UP_SHELVES: Final = "/set-up/shelves"
SET_UP_TRAYS: Final = "/set-up/trays"
SET_UP_LOTS: Final = "/set-up/lots"
SET_UP_KIT: Final = "/set-up/kit"
SET_UP_SHELF_CAMERA: Final = "/set-up/shelf-camera"
SET_UP_CAMERAS: Final = "/set-up/cameras"
SET_UP_PEOPLE: Final = "/set-up/people"
SET_UP_TOKENS: Final = "/set-up/tokens"
SET_UP_PHONES: Final = "/set-up/phones"
SET_UP_PASSWORD: Final = "/set-up/password"
SET_UP_MESSAGES: Final = "/set-up/messages"
SET_UP_DATA: Final = "/set-up/data"
PRINT: Final = "/print"
PRINT_ROUND: Final = "/print/round"
PRINT_LABELS: Final = "/print/labels"
PRINT_LABELS_SHEET: Final = "/print/labels.css"
PRINT_REPORT: Final = "/print/report"
PRINT_REPORT_TABLE: Final = "/print/report/{part}"
HELP: Final = "/help"
LOG_IN: Final = "/login"
LOG_OUT: Final = "/logout"
UNDO: Final = "/undo"
START: Final = f"{ROOM}/start"
HARVEST: Final = f"{ROOM}/harvest"
MOVE: Final = f"{ROOM}/move"
SWAP: Final = f"{ROOM}/swap"
STATES: Final = f"{ROOM}/states"
NEW_TRAY: Final = f"{ROOM}/new-tray"
WRITTEN: Final = f"{ROOM}/written"
DAY_ZERO: Final = f"{ROOM}/day-zero"
FLAGS: Final = "/flags"
READINGS: Final = "/readings"
CHORES: Final = "/chores"


def tray(number: int) -> str:
    """Page of a tray."""
    return f"/trays/{number}"


def tray_photo(number: int, photo_id: int, *, drawn: bool = False) -> str:
    """Page of a tray with one of its run's photos, with what was read drawn in or not."""
    query = (("photo", photo_id), ("drawn", "1" if drawn else None))
    return f"{with_query(tray(number), query)}#photos"


def tray_place(number: int, photo_id: int, place: Iterable[tuple[str, float]]) -> str:
    """Picture of one place of a tray in one photo; `place` has x, y and across, mm."""
    query = [("photo", photo_id), *((name, round(value, 1)) for name, value in place)]
    return with_query(f"/trays/{number}/place.jpg", query)


def run_chart(run_id: int, name: str) -> str:
    """One of a run's charts, by its `curve_kinds.CurveKind`."""
    return f"/charts/runs/{run_id}/{name}"


def shelves_chart() -> str:
    """What is usual on each shelf."""
    return "/charts/shelves"


def shelf_chart(shelf_id: int) -> str:
    """The runs of one shelf by age."""
    return f"/charts/shelves/{shelf_id}"


def shelf(shelf_id: int) -> str:
    """Page of a shelf's curves."""
    return f"/shelves/{shelf_id}"


def run(run_id: int) -> str:
    """All that was written of one run."""
    return f"/runs/{run_id}"


def tray_written(number: int) -> str:
    """Where a tray stood and what was said of it, each entry to be corrected."""
    return f"{tray(number)}/written"


def harvest_of(trays: Iterable[int], back: str) -> str:
    """Where the harvest of several trays is written down, and which page that leads back to."""
    return with_query(HARVEST, [*(("tray", number) for number in trays), ("back", back)])


def harvest(run_id: int) -> str:
    """Writing down that a run's tray, or a part of it, was taken."""
    return f"/runs/{run_id}/harvest"


def split(run_id: int) -> str:
    """Putting a part of a run's tray into another tray."""
    return f"/runs/{run_id}/split"


def entry(kind: str, thing_id: int) -> str:
    """Correcting one thing that was written down, and its history."""
    return f"/entries/{kind}/{thing_id}"


def flag(flag_id: int) -> str:
    """Page of one reason to look."""
    return f"/flags/{flag_id}"


def flag_answer(flag_id: int) -> str:
    """Where an answer to a reason to look is sent."""
    return f"/flags/{flag_id}/answer"


def chore_done(chore_id: int) -> str:
    """Where a chore is ticked off, and the page on which to say with what and how much."""
    return f"/chores/{chore_id}/done"


def photo(photo_id: int) -> str:
    """Page of one photo: what it says."""
    return f"/photos/{photo_id}"


def photos(query: Iterable[tuple[str, object]] = ()) -> str:
    """The list of photos, the last taken first."""
    return with_query(PHOTOS, query)


def report_table(part: str) -> str:
    """One part of a report as a table for a spreadsheet."""
    return PRINT_REPORT_TABLE.format(part=part)


def help_on(topic: str) -> str:
    """A place on the help page."""
    return f"{HELP}#{topic}"


def log_in(back_to: str = NOW) -> str:
    """The log-in, and where to go from there."""
    return f"{LOG_IN}?{urlencode({'next': back_to})}" if back_to != NOW else LOG_IN


def with_query(path: str, values: Iterable[tuple[str, object]]) -> str:
    """A path with a query; what is None is left out."""
    given = tuple((name, str(value)) for name, value in values if value is not None)
    return f"{path}?{_encoded(given)}" if given else path


# The same links stand on a page each time that it is shown.
@lru_cache(maxsize=1024)
def _encoded(values: tuple[tuple[str, str], ...]) -> str:
    return urlencode(values)


def static(name: str) -> str:
    """A file of the pages; its address changes with its content, so that browsers may keep it.

    Raises
    ------
    ValueError
        If there is no such file.
    """
    return f"/static/{quote(name)}?v={static_version(name)}"


@lru_cache(maxsize=64)
def static_version(name: str) -> str:
    """First digits of the hash of a file of the pages. Raises ValueError."""
    path = STATIC_FOLDER / name
    if not path.is_file():
        raise ValueError(f"name must be one of a file in the static folder, got {name!r}")
    return sha256(path.read_bytes()).hexdigest()[:12]


def own_path(text: str) -> str:
    """A path of this service to go on to; the first page where `text` leads elsewhere."""
    # A second slash or a backslash at its start would be another host to browsers.
    plain = text.startswith("/") and not text.startswith(("//", "/\\"))
    return text if plain and not any(ord(sign) < 33 for sign in text) else NOW
