"""The photos of a tray's run as its page shows them: one large, the others along a line of days."""

from collections.abc import Container, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from service.models.photos import PhotoOut
from service.pages.photos.measure_words import listed
from service.pages.words import Say
from service.photos.photo_assignments import photos_given_to_run
from service.photos.photo_log import photos_out
from service.room.room_log import Row
from service.runs.run_calendar import RunSpan

# A candidate that one photo alone gives less likelihood is not worth a word.
_WORTH_A_WORD = 0.3


@dataclass(frozen=True)
class PhotoShown:
    """One photo of a run.

    Parameters
    ----------
    photo_id : int
    when : str
        Such as "day 5, today 07:12".
    plain, drawn : str
        Addresses of the tray straight from above, and of the photo with what was read drawn in.
    says : str
        What was read, in a sentence.
    """

    photo_id: int
    when: str
    plain: str
    drawn: str
    says: str


@dataclass(frozen=True)
class Timeline:
    """Photos of one run, oldest first, with the one that is shown large.

    Parameters
    ----------
    number : int
        Of the tray.
    photos : tuple of PhotoShown
    at : int
        Which one is shown.
    drawn : bool
        Whether what was read is drawn in.
    """

    number: int
    photos: tuple[PhotoShown, ...]
    at: int
    drawn: bool

    @property
    def shown(self) -> PhotoShown:
        """The photo that is shown large."""
        return self.photos[self.at]

    @property
    def picture(self) -> str:
        """Its picture."""
        return self.shown.drawn if self.drawn else self.shown.plain

    @property
    def plain_alt(self) -> str:
        """What a picture without anything drawn in is; its caption says what was read."""
        return f"Tray {self.number} from above"

    @property
    def drawn_alt(self) -> str:
        """What a picture with all that was read drawn in is."""
        return f"Photo of tray {self.number} with what was read drawn in"

    @property
    def alt(self) -> str:
        """Of the photo that is shown large."""
        return self.drawn_alt if self.drawn else self.plain_alt

    @property
    def earlier(self) -> PhotoShown | None:
        """The photo before it."""
        return self.photos[self.at - 1] if self.at else None

    @property
    def later(self) -> PhotoShown | None:
        """The photo after it."""
        return self.photos[self.at + 1] if self.at + 1 < len(self.photos) else None


def timeline(
    connection: sa.Connection,
    span: RunSpan,
    rows: Sequence[Row],
    say: Say,
    *,
    asked: int | None,
    drawn: bool,
) -> Timeline | None:
    """Photos of a run; None where it has none.

    Parameters
    ----------
    connection : Connection
    span : RunSpan
    rows : sequence of Row
        Of the run, as `service.photos.inspection_log.tray_rows` gives them.
    say : Say
    asked : int or None
        Photo to show large; the last one where it is none of them.
    drawn : bool
    """
    by_id = {row["photo_id"]: row for row in rows}
    said = _said_by_hand(connection, span, by_id)
    moments = [(row["taken_at"], key) for key, row in by_id.items()]
    moments += [(photo.taken_at, photo.id) for photo in said.values()]
    photos = []
    for taken_at, photo_id in sorted(moments):
        age = say.day_of_run(span, taken_at)
        when = f"{age}, {say.moment(taken_at)}"
        photos.append(
            _by_hand(said[photo_id], when)
            if photo_id in said
            else _shown(span.number, by_id[photo_id], when, say)
        )
    if not photos:
        return None
    ids = [photo.photo_id for photo in photos]
    at = ids.index(asked) if asked in ids else len(ids) - 1
    return Timeline(span.number, tuple(photos), at, drawn)


def _said_by_hand(
    connection: sa.Connection, span: RunSpan, measured: Container[int]
) -> dict[int, PhotoOut]:
    """Photos of the run that a person gave to this tray, and that measure nothing of it."""
    given = [one for one in photos_given_to_run(connection, span) if one not in measured]
    return {photo.id: photo for photo in photos_out(connection, given)}


def _by_hand(photo: PhotoOut, when: str) -> PhotoShown:
    address = f"/api/photos/{photo.id}"
    read = [f"tray {tray['tray']}" for tray in photo.trays if tray["tray"] is not None]
    says = (
        f"Assigned by hand; its tags name {listed(read)}, and what was measured stands there."
        if read
        else "Assigned by hand; its tags could not be read. Not measured."
    )
    return PhotoShown(photo.id, when, f"{address}/thumbnail", f"{address}/overlay", says)


def _shown(number: int, row: Row, when: str, say: Say) -> PhotoShown:
    photo_id = row["photo_id"]
    address = f"/api/photos/{photo_id}"
    placed = row["record"]["pose"] is not None
    plain = f"{address}/trays/{number}/view" if placed else f"{address}/thumbnail"
    return PhotoShown(photo_id, when, plain, f"{address}/overlay", _says(row, say))


def _says(row: Row, say: Say) -> str:
    """What one photo says of the tray, in a sentence."""
    said = [
        f"{say.percent(row['cover'])} covered"
        if row["cover"] is not None
        else "cover: cannot tell",
        f"shoots {say.length(row['shoot_height_mm'])}"
        if row["shoot_height_mm"] is not None
        else "height: cannot tell",
        "no score" if row["score"] is None else f"this photo alone scores {row['score']:g} of 100",
    ]
    patches = [one for one in row["record"]["mould"] if one["likelihood"] >= _WORTH_A_WORD]
    if patches:
        worst = max(patches, key=lambda one: one["likelihood"])
        size = f" of {say.spot(worst['diameter_mm'])}" if "diameter_mm" in worst else ""
        which = "one spot" if len(patches) == 1 else f"{len(patches)} spots, the likeliest"
        said.append(f"{which}{size} may be mould: {say.likely(worst['likelihood'])}")
    text = ", ".join(said)
    return f"{text[0].upper()}{text[1:]}."
