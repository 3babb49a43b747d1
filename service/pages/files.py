"""The pages' own files: styles and scripts."""

from typing import Annotated, Final

from fastapi import APIRouter, Path, Query
from starlette.responses import FileResponse

from service.log.refusals import NotFound
from service.pages.addresses import STATIC_FOLDER, static_version

router = APIRouter(include_in_schema=False)

_TYPES: Final = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
# An address with the right version never shows other content.
_FOR_GOOD: Final = "public, max-age=31536000, immutable"
_ASK_AGAIN: Final = "public, no-cache"
_NAME: Final = r"^[a-z0-9_-]+\.(css|js|svg|webmanifest)$"


@router.get("/static/{name}")
def static_file(
    name: Annotated[str, Path(pattern=_NAME, max_length=60)],
    v: Annotated[str, Query(max_length=60)] = "",
) -> FileResponse:
    """One of the pages' files."""
    path = STATIC_FOLDER / name
    if not path.is_file():
        raise NotFound("file", name)
    current = v == static_version(name)
    headers = {"Cache-Control": _FOR_GOOD if current else _ASK_AGAIN}
    return FileResponse(path, media_type=_TYPES[path.suffix], headers=headers)
