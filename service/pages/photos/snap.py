"""Snap: the camera's button, and photos sent without scripts."""

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import UploadFile
from starlette.responses import FileResponse, Response

from service.context import Service
from service.log.entries import Entrant
from service.log.refusals import Refusal, TooLarge
from service.models.photos import Watering
from service.pages import addresses
from service.pages.frame import show
from service.pages.notices import done
from service.photos.ingest import IncomingPhoto, take_in_all
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

WATERING_COOKIE: Final = "trayvision_watering"
# What was said before the morning's water must not be said of the evening's photos.
WATERING_KEPT_SECONDS: Final = 4 * 3600
_MOST_FIELDS: Final = 10


@dataclass(frozen=True)
class SnapPage:
    """What the camera's page shows.

    Parameters
    ----------
    watering : str
        What was said last, to be said again.
    watering_kept_seconds : int
        How long it is remembered.
    refused : tuple of str
        Why photos that were just sent could not be taken in.
    taken : tuple of int
        Those that could.
    """

    watering: str
    watering_kept_seconds: int = WATERING_KEPT_SECONDS
    refused: tuple[str, ...] = ()
    taken: tuple[int, ...] = ()


@dataclass(frozen=True)
class Sent:
    """Photos as a browser sends them without scripts, and what was said of them."""

    files: tuple[UploadFile, ...]
    watering: Watering


async def _sent(request: Request) -> AsyncIterator[Sent]:
    service: Service = request.app.state.service
    most = 2 * service.settings.max_photos
    async with request.form(max_files=most, max_fields=_MOST_FIELDS) as form:
        # A field in which nothing was chosen sends an empty file without a name.
        came = [one for one in form.getlist("photo") if isinstance(one, UploadFile)]
        said = form.get("watering")
        watering = next((one for one in Watering if one == said), Watering.UNKNOWN)
        yield Sent(tuple(one for one in came if one.filename), watering)


@router.get(addresses.SNAP)
def snap(service: TheService, request: Request) -> Response:
    """The camera's button."""
    return _page(service, request, SnapPage(_remembered(request)))


@router.post(addresses.SNAP)
def post_snap(
    service: TheService, by: By, request: Request, sent: Annotated[Sent, Depends(_sent)]
) -> Response:
    """Take photos in; one leads to what it says, several to the list of them."""
    taken, refused = _take_all(service, sent, by)
    if refused:
        page = SnapPage(
            sent.watering,
            refused=tuple(str(one) for one in refused),
            taken=tuple(taken),
        )
        response = _page(service, request, page)
        response.status_code = refused[0].status
    elif len(taken) == 1:
        response = done(addresses.photo(taken[0]), "The photo is kept.")
    else:
        listed = addresses.photos([("photo", one) for one in taken])
        response = done(listed, f"{len(taken)} photos are kept.")
    response.set_cookie(
        WATERING_COOKIE,
        sent.watering,
        max_age=WATERING_KEPT_SECONDS,
        path=addresses.SNAP,
        samesite="strict",
    )
    return response


@router.get(addresses.WORKER)
def worker() -> FileResponse:
    """What keeps this page, and sends photos, without a link; it must lie at the root."""
    return FileResponse(
        addresses.STATIC_FOLDER / "worker.js",
        media_type="text/javascript; charset=utf-8",
        headers={"Cache-Control": "no-cache"},
    )


def _take_all(service: Service, sent: Sent, by: Entrant) -> tuple[list[int], Sequence[Refusal]]:
    """Ids of the photos taken in, and why others were not."""
    most = service.settings.max_photos
    if not sent.files:
        return [], [Refusal("photo", "must be chosen first, got none")]
    if len(sent.files) > most:
        return [], [TooLarge("photo", f"must be at most {most} at once, got {len(sent.files)}")]

    def incoming(file: UploadFile) -> IncomingPhoto:
        return IncomingPhoto(
            name=file.filename or "photo",
            media_type=file.content_type or "application/octet-stream",
            content=file.file.read(service.settings.max_photo_bytes + 1),
            watering=sent.watering,
        )

    came = take_in_all(service, [partial(incoming, file) for file in sent.files], by)
    refused = [one for one in came if isinstance(one, Refusal)]
    return [one[0].id for one in came if not isinstance(one, Refusal)], refused


def _page(service: Service, request: Request, page: SnapPage) -> Response:
    with service.database.read() as connection:
        return show(request, connection, "photos/snap.html", page, here=addresses.SNAP)


def _remembered(request: Request) -> str:
    said = request.cookies.get(WATERING_COOKIE)
    return said if said in list(Watering) else Watering.UNKNOWN
