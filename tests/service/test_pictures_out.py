"""Whoever has a picture is not sent it again (RFC 9110, 13.1.2: If-None-Match)."""

import pytest

from service.accounts.security_headers import PICTURE_POLICY
from tests.service.conftest import Room
from tests.service.flags.test_attention import mouldy, only, spread

PICTURES = (
    "/api/photos/{photo}/thumbnail",
    "/api/photos/{photo}/overlay",
    "/api/photos/{photo}/picture",
    "/api/photos/{photo}/trays/17/view",
    "/api/flags/{flag}/evidence/now.jpg",
    "/trays/17/place.jpg?photo={photo}&x=-120&y=60&across=12",
)


@pytest.mark.parametrize("settings", ["sqlite"], indirect=True)
@pytest.mark.parametrize("path", PICTURES)
def test_a_picture_is_sent_once(room: Room, path: str) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.0, drawn=True)
    flag = only(room, "possible mould")
    newest, older = (one["id"] for one in room.get("/api/photos")["photos"][:2])
    address = path.format(photo=newest, flag=flag["id"])
    first = room.client.get(address)
    assert (first.status_code, first.headers["content-type"]) == (200, "image/jpeg")
    mark = first.headers["etag"]
    for known in (mark, f'"other", {mark}', f"W/{mark}"):
        again = room.client.get(address, headers={"If-None-Match": known})
        assert (again.status_code, again.content) == (304, b"")
        # A browser keeps these headers beside the picture.
        assert again.headers["etag"] == mark
        assert again.headers["content-security-policy"] == PICTURE_POLICY
        assert again.headers["cache-control"] == "private, no-cache"
    # Another picture is another one.
    stale = room.client.get(address, headers={"If-None-Match": '"other"'})
    assert (stale.status_code, stale.content) == (200, first.content)
    if "{photo}" in path:
        other = room.client.get(path.format(photo=older), headers={"If-None-Match": mark})
        assert other.status_code == 200
