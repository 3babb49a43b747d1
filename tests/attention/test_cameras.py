"""Fixed cameras that deserve a look: what they are, and which trays that explains."""

from dataclasses import replace

import pytest

from tests.attention.rooms import at, healthy, room
from trayvision.attention.attention import find_attention
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import CameraState
from trayvision.quality_flags import Doubt


@pytest.mark.parametrize(
    ("camera", "state"),
    [
        (CameraState("c", last_photo_at=at(4.5)), "silent"),
        (CameraState("c", last_photo_at=None), "silent"),
        (CameraState("c", last_photo_at=at(5.0), doubts=(Doubt.DIM,)), "dark"),
        (CameraState("c", last_photo_at=at(5.0), doubts=(Doubt.FOGGED,)), "fogged"),
        (CameraState("c", last_photo_at=at(5.0), moved=True), "moved"),
        (CameraState("c", last_photo_at=at(5.0)), None),
    ],
)
def test_cameras(camera: CameraState, state: str | None) -> None:
    flags = find_attention(room([], 5.0, cameras=(camera,))).flags
    assert [flag.reason.split(",")[0] for flag in flags] == (
        [f"Camera c is {state}"] if state else []
    )


def test_a_silent_camera_explains_its_trays_and_all_silent_is_one_flag() -> None:
    runs = [healthy(1, 3.0, shelf="top"), healthy(2, 3.0, shelf="low")]
    top = CameraState("one", "top", at(3.0))
    found = find_attention(room(runs, 5.0, cameras=(top,))).flags
    assert [(flag.kind, flag.trays) for flag in found] == [
        (FlagKind.CAMERA, (1,)),
        (FlagKind.NO_PHOTO, (2,)),
    ]
    low = CameraState("two", "low", at(3.0))
    found = find_attention(room(runs, 5.0, cameras=(top, low))).flags
    assert [flag.reason[:22] for flag in found] == ["All cameras are silent"]


LOST = CameraState("c", "top", at(5.0), lost_trays=(1, 2, 3), lost_at=at(4.7))


def test_a_camera_that_sees_none_of_its_trays_names_those_that_still_grow_there() -> None:
    runs = [
        healthy(1, 4.0, shelf="top"),
        # Moved away, spread after the photos, and on the shelf but never seen by the camera.
        healthy(2, 5.0, shelf="low"),
        healthy(3, 5.0, shelf="top", in_tray_from=at(4.8)),
        healthy(4, 5.0, shelf="top"),
    ]
    (flag,) = find_attention(room(runs, 5.1, cameras=(LOST,))).flags
    assert (flag.kind, flag.trays) == (FlagKind.CAMERA, (1, 3, 4))
    assert flag.reason == (
        "Camera c no longer shows tray 1 so that it can be read, last photo Sat 7 Mar 08:00."
    )
    assert "turned to its shelf" in flag.look_at


def test_several_trays_that_a_camera_no_longer_shows_are_named_together() -> None:
    runs = [healthy(tray, 4.0, shelf="top") for tray in (1, 2)]
    (flag,) = find_attention(room(runs, 5.1, cameras=(LOST,))).flags
    assert "no longer shows trays 1 and 2 so that they can be read" in flag.reason


def test_a_camera_over_a_shelf_that_was_emptied_is_none_to_see_to() -> None:
    runs = [healthy(2, 5.0, shelf="low"), healthy(3, 5.0, shelf="top", in_tray_from=at(4.8))]
    assert find_attention(room(runs, 5.1, cameras=(LOST,))).flags == ()


def test_a_camera_that_sees_no_trays_because_it_is_dark_is_dark() -> None:
    dark = replace(LOST, doubts=(Doubt.DIM,))
    (flag,) = find_attention(room([healthy(1, 5.0, shelf="top")], 5.1, cameras=(dark,))).flags
    assert flag.reason.startswith("Camera c is dark")


def test_a_camera_called_all_is_one_camera() -> None:
    silent = [CameraState(name, last_photo_at=at(3.0)) for name in ("all", "two")]
    alone = find_attention(room([], 5.0, cameras=(silent[0],))).flags
    both = find_attention(room([], 5.0, cameras=tuple(silent))).flags
    assert [flag.key for flag in (*alone, *both)] == ["camera/one/all/silent", "camera/all/silent"]
