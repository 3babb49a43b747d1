"""Kept photos measured again in number, such as all that an earlier version measured.

What was measured before stays in the log, as after any other correction. Each photo is entered as
soon as it is measured: whoever stops half way begins again with those that are left.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from itertools import islice

import sqlalchemy as sa

from service.context import Service
from service.log.entries import current
from service.log.refusals import Refusal
from service.log.schema import CAPTURE, PHOTO, PHOTO_INSPECTION
from service.photos.measuring_places import Measured, MeasuringPlaces
from service.photos.photo_changes import KeptPhoto, MeasuredAgain, keep_measured, kept_photo


@dataclass(frozen=True)
class MeasuredAnew:
    """What came of it.

    Parameters
    ----------
    entered : int
        Photos whose new measurement is in the log.
    failed : dict of int to str
        By photo, why none was entered; what was measured before stands.
    """

    entered: int
    failed: dict[int, str]


def photos_to_measure(
    connection: sa.Connection, *, all_versions: bool = False, since: datetime | None = None
) -> dict[int, str]:
    """Photos that another version measured, and which one, newest first.

    Those whose original was let go are none of them.

    Parameters
    ----------
    connection : Connection
    all_versions : bool
        Those too that the present version measured.
    since : aware datetime, optional
        Only photos taken from then on.
    """
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    statement = (
        sa.select(passes.c.photo_id, passes.c.library_version)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .join(PHOTO, PHOTO.c.id == passes.c.photo_id)
        .where(PHOTO.c.original_kept)
        .order_by(capture.c.taken_at.desc(), passes.c.photo_id)
    )
    if not all_versions:
        statement = statement.where(passes.c.library_version != version("trayvision"))
    if since is not None:
        statement = statement.where(capture.c.taken_at >= since)
    return {row.photo_id: row.library_version for row in connection.execute(statement)}


def measure_many(
    service: Service,
    photo_ids: Sequence[int],
    places: MeasuringPlaces,
    *,
    told: Callable[[], object] = lambda: None,
) -> MeasuredAnew:
    """Measure photos again with what the log knows now, several at once.

    Parameters
    ----------
    service : Service
    photo_ids : sequence of int
        In the order in which they are begun.
    places : MeasuringPlaces
    told : callable
        Called after each photo.

    Raises
    ------
    Refusal
        If another version of trayvision measures there; what was entered by then stays.
    """
    entered, failed = 0, {}
    for photo_id, outcome in _outcomes(service, photo_ids, places):
        problem = outcome if isinstance(outcome, str) else _enter(service, *outcome)
        if problem is None:
            entered += 1
        else:
            failed[photo_id] = problem
        told()
    return MeasuredAnew(entered, failed)


_Outcome = tuple[KeptPhoto, Measured] | str


def _outcomes(
    service: Service, photo_ids: Sequence[int], places: MeasuringPlaces
) -> Iterator[tuple[int, _Outcome]]:
    """Each photo as it was measured, or why it was not; as they are done."""
    left = iter(photo_ids)
    begun: dict[Future[Measured], KeptPhoto] = {}
    try:
        while True:
            for photo_id in islice(left, max(0, max(1, places.count()) - len(begun))):
                try:
                    photo = kept_photo(service, photo_id)
                    begun[places.submit(photo.job)] = photo
                except (Refusal, OSError) as error:
                    yield photo_id, str(error)
            if not begun:
                return
            for future in wait(begun, return_when=FIRST_COMPLETED).done:
                photo = begun.pop(future)
                try:
                    yield photo.id, (photo, future.result())
                except Exception as error:
                    yield photo.id, " ".join(f"measuring failed: {error}".split())
    finally:
        for future in begun:
            future.cancel()


def _enter(service: Service, photo: KeptPhoto, measured: Measured) -> str | None:
    """Enter a photo as it was measured; why not, where what is there is better."""
    here = version("trayvision")
    if measured.library_version != here:
        raise Refusal(
            "scheduler",
            f"must have workers with trayvision {here}, but one has {measured.library_version}",
        )
    record = measured.photo.record
    if record["width"] is None and photo.was_read:
        # A process that ended or took too long says nothing of a photo that was read before.
        return str(record["problem"])
    keep_measured(
        service, MeasuredAgain(photo.id, photo.digest, measured.photo), by=service.entrant()
    )
    return None
