"""Paths of photos: in, out, corrected, assigned by hand."""

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Query, Request, Response, UploadFile
from fastapi.responses import FileResponse

from service.log.refusals import Refusal, TooLarge
from service.models.base import Text
from service.models.photos import (
    NewAssignment,
    NewCorners,
    PhotoChange,
    PhotoForm,
    PhotoOut,
    PhotoQuery,
    PhotosOut,
)
from service.models.room import History
from service.photos.ingest import IncomingPhoto, file_name, take_in_all
from service.photos.photo_assignments import assign_photo, withdraw_assignment
from service.photos.photo_changes import (
    correct_photo,
    mark_corners,
    measure_again,
    original,
    picture,
    withdraw_corners,
)
from service.photos.photo_log import PhotoSearch, capture_of, photo_ids, photo_out, photos_out
from service.pictures_out import PICTURE_RESPONSES, jpeg_file
from service.problems import RESPONSES
from service.room.room_log import in_utc, the_room, tray_numbered
from service.room.things import CAPTURES
from service.route_arguments import By, PhotoId, TheService
from trayvision.reference_kit import LAST_TRAY_NUMBER

router = APIRouter(prefix="/api/photos", tags=["photos"], responses=RESPONSES)

TrayNumberPath = Annotated[int, Path(ge=0, le=LAST_TRAY_NUMBER)]
_ORIGINAL: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/octet-stream": {}}, "description": "The original."}
}


@router.post(
    "",
    status_code=201,
    summary="Take photos in",
    responses={200: {"model": PhotosOut, "description": "All of these bytes were known."}},
)
def post_photos(
    service: TheService,
    by: By,
    response: Response,
    form: Annotated[PhotoForm, Form(media_type="multipart/form-data")],
) -> PhotosOut:
    """Answers once photos and records are on the disk: 201, or 200 where all were known.

    A photo in which no tray can be read is kept too, with its `problem`. What is said of a photo
    when its bytes come again is not taken: correct the photo instead. Where one of several is
    refused, the others are kept: send all of them again without it.
    """
    if len(form.photo) > service.settings.max_photos:
        raise TooLarge(
            "photo", f"must be at most {service.settings.max_photos} at once, got {len(form.photo)}"
        )

    def incoming(file: UploadFile) -> IncomingPhoto:
        return IncomingPhoto(
            name=file.filename or "photo",
            media_type=file.content_type or "application/octet-stream",
            content=file.file.read(service.settings.max_photo_bytes + 1),
            taken_at=form.taken_at,
            camera=form.camera,
            watering=form.watering,
            kept_at=form.kept_at,
        )

    taken = []
    for one in take_in_all(service, [partial(incoming, file) for file in form.photo], by):
        if isinstance(one, Refusal):
            raise one
        taken.append(one)
    if not any(new for _, new in taken):
        response.status_code = 200
    return PhotosOut(photos=[out for out, _ in taken])


@router.get("", summary="List photos, the last taken first")
def list_photos(service: TheService, query: Annotated[PhotoQuery, Query()]) -> PhotosOut:
    """With `with_problem=true`, those in which no tray could be read."""
    with service.database.read() as connection:
        room = the_room(connection)
        search = PhotoSearch(
            tray_id=None if query.tray is None else tray_numbered(connection, query.tray)["id"],
            with_problem=query.with_problem,
            since=None if query.since is None else in_utc(query.since, room),
            until=None if query.until is None else in_utc(query.until, room),
            limit=query.limit,
            offset=query.offset,
        )
        return PhotosOut(photos=photos_out(connection, photo_ids(connection, search)))


@router.get("/{photo_id}", summary="One photo")
def get_photo(service: TheService, photo_id: PhotoId) -> PhotoOut:
    """With its inspections."""
    with service.database.read() as connection:
        return photo_out(connection, photo_id)


@router.patch("/{photo_id}", summary="Correct what is said of a photo")
def patch_photo(service: TheService, by: By, photo_id: PhotoId, change: PhotoChange) -> PhotoOut:
    """A corrected moment moves its readings to where they belong."""
    return correct_photo(service, photo_id, change, by)


@router.get("/{photo_id}/history", summary="All that was said of a photo")
def photo_history(service: TheService, photo_id: PhotoId) -> History:
    """When and around which watering it was taken, first entry first."""
    with service.database.read() as connection:
        return CAPTURES.history(connection, capture_of(connection, photo_id)["id"])


@router.post("/{photo_id}/inspect", summary="Measure a photo again")
def inspect_photo(
    service: TheService,
    by: By,
    photo_id: PhotoId,
    whole_photo: Annotated[
        bool, Query(description="Take the whole frame as the tray: no kit, no millimetres.")
    ] = False,
) -> PhotoOut:
    """With what the log knows now; what was measured before stays beside it."""
    return measure_again(service, photo_id, by, whole_photo=whole_photo)


@router.post("/{photo_id}/trays", status_code=201, summary="Say which tray a photo shows")
def assign(service: TheService, by: By, photo_id: PhotoId, new: NewAssignment) -> PhotoOut:
    """For a photo whose tags are hidden."""
    return assign_photo(service, photo_id, new.tray, by=by, why=new.why)


@router.delete("/{photo_id}/trays/{number}", summary="Take back which tray a photo shows")
def withdraw(
    service: TheService,
    by: By,
    photo_id: PhotoId,
    number: TrayNumberPath,
    why: Annotated[Text | None, Query()] = None,
) -> PhotoOut:
    """Only what a person said; what the tags say stays."""
    return withdraw_assignment(service, photo_id, number, by=by, why=why)[0]


@router.post(
    "/{photo_id}/corners", status_code=201, summary="Mark the corners of a tray without a kit"
)
def post_corners(service: TheService, by: By, photo_id: PhotoId, new: NewCorners) -> PhotoOut:
    """Measures the tray there; what is measured again later is measured there too."""
    return mark_corners(service, photo_id, new, by)[0]


@router.delete("/{photo_id}/corners", summary="Take back the corners that were marked")
def delete_corners(
    service: TheService, by: By, photo_id: PhotoId, why: Annotated[Text | None, Query()] = None
) -> PhotoOut:
    """The photo is measured again without them."""
    return withdraw_corners(service, photo_id, by, why=why)


@router.get(
    "/{photo_id}/original",
    response_class=FileResponse,
    responses=_ORIGINAL,
    summary="The original bytes",
)
def get_original(service: TheService, photo_id: PhotoId) -> FileResponse:
    """Never shown inline: it may be anything that somebody sent."""
    path, name = original(service, photo_id)
    return FileResponse(path, media_type="application/octet-stream", filename=file_name(name))


@router.get(
    "/{photo_id}/overlay",
    response_class=Response,
    responses=PICTURE_RESPONSES,
    summary="The inspection drawn on the photo",
)
def get_overlay(service: TheService, request: Request, photo_id: PhotoId) -> Response:
    """Made again where it is missing."""
    return jpeg_file(request, picture(service, photo_id, "overlay.jpg"))


@router.get(
    "/{photo_id}/thumbnail",
    response_class=Response,
    responses=PICTURE_RESPONSES,
    summary="A small picture of the photo",
)
def get_thumbnail(service: TheService, request: Request, photo_id: PhotoId) -> Response:
    """Made again where it is missing."""
    return jpeg_file(request, picture(service, photo_id, "thumbnail.jpg"))


@router.get(
    "/{photo_id}/picture",
    response_class=Response,
    responses=PICTURE_RESPONSES,
    summary="The photo at screen size",
)
def get_picture(service: TheService, request: Request, photo_id: PhotoId) -> Response:
    """Upright, nothing drawn on it; made again where it is missing."""
    return jpeg_file(request, picture(service, photo_id, "photo.jpg"))


@router.get(
    "/{photo_id}/trays/{number}/view",
    response_class=Response,
    responses=PICTURE_RESPONSES,
    summary="A tray straight from above, 1 mm a pixel",
)
def get_view(
    service: TheService, request: Request, photo_id: PhotoId, number: TrayNumberPath
) -> Response:
    """The same place of the tray is the same pixel in every photo."""
    return jpeg_file(request, picture(service, photo_id, f"tray-{number}.jpg"))
