"""Pictures as answers: who has one already is told so instead of being sent it again.

RFC 9110, 13.1.2 and 15.4.5. A phone asks again for each picture of a page, since the next may be
logged out; over a shed's wireless network that no picture travels twice is what keeps pages quick.
"""

from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from service.accounts.security_headers import PICTURE_POLICY

_JPEG: Final = "image/jpeg"
PICTURE_RESPONSES: Final[dict[int | str, dict[str, Any]]] = {
    200: {"content": {_JPEG: {}}, "description": "The picture."},
    304: {"description": "The picture that was sent before still holds."},
}


def is_known(request: Request, mark: str) -> bool:
    """Whether whoever asks has what an entity tag, quotes included, names."""
    known = [one.strip() for one in request.headers.get("if-none-match", "").split(",")]
    return mark in known or f"W/{mark}" in known


def jpeg_file(request: Request, path: Path) -> Response:
    """A picture that lies in a file."""
    answer = FileResponse(path, media_type=_JPEG, stat_result=path.stat())
    mark = answer.headers["etag"]
    return _unchanged(mark) if is_known(request, mark) else answer


def jpeg(request: Request, content: bytes) -> Response:
    """A picture that was just drawn."""
    mark = f'"{sha256(content).hexdigest()[:24]}"'
    if is_known(request, mark):
        return _unchanged(mark)
    return Response(content, media_type=_JPEG, headers={"ETag": mark})


def _unchanged(mark: str) -> Response:
    # A browser takes these over: with pages' policy a picture opened alone would not be laid out.
    headers = {"ETag": mark, "Content-Security-Policy": PICTURE_POLICY}
    return Response(status_code=304, headers=headers)
