"""Parts of two kits on one tray: bars or a strip that went back to another tray after washing.

Each number's tags then give a pose of their own, at the same place; told as two trays, one of them
would get the other's measures.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from trayvision.pose.grouping import MISREAD_WITHIN_MM, place, tag_px_per_mm
from trayvision.pose.tag_completion import SEARCH_SLACK_MM
from trayvision.pose.tray_pose import TrayPose, TrayProblem
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import (
    HEAD_CORNERS,
    LAST_TRAY_NUMBER,
    RIM_CORNERS,
    TAG_EDGE_MM,
    tag_id,
)
from trayvision.tags.corners import edge_length_px
from trayvision.tags.reading import ReadTag, TagReader

# How far a tag that stands on the same tray may seem to lie from its place there before all tags
# are fitted together, beyond three sigma of where the pose puts it.
_NEAR_MM = MISREAD_WITHIN_MM


def told_apart(
    poses: Sequence[TrayPose], tags: Mapping[int, Sequence[ReadTag]]
) -> tuple[list[TrayPose], list[TrayProblem]]:
    """The trays that are sure to be what their tags say, and why the others are not.

    Where the strip's head alone is another tray's, the rim's number stands and the head's is
    refused, be the rim's tray placed or not; where bars of two trays lie on one, neither number is
    measured.

    Parameters
    ----------
    poses : sequence of TrayPose
        As found for each number by itself.
    tags : mapping of int to sequence of ReadTag
        All tags that were read, by tray number.
    """
    refused: dict[int, TrayProblem] = {}
    for pose in poses:
        for number, others in tags.items():
            used = next((other.tags for other in poses if other.number == number), others)
            if number == pose.number or not _on_one_tray(pose, used):
                continue
            if _head_only(used):
                refused.setdefault(number, _strip_astray(number, pose.number))
            elif _head_only(pose.tags):
                refused.setdefault(pose.number, _strip_astray(pose.number, number))
            else:
                refused[number] = _mixed(number, pose.number)
                refused[pose.number] = _mixed(pose.number, number)
    kept = [pose for pose in poses if pose.number not in refused]
    return kept, list(refused.values())


def number_doubts(tags: Sequence[ReadTag]) -> tuple[Doubt, ...]:
    """That a number rests on a strip which may stand on another tray, where no rim tag bears it."""
    return (Doubt.NUMBER_FROM_STRIP,) if _head_only(tags) else ()


def rim_of_another(pose: TrayPose, reader: TagReader) -> tuple[ReadTag, ...]:
    """Rim tags of one other number where those of a tray lie that its strip's head alone names.

    A strip can be put back on any tray, so its number is believed only where the rim does not name
    another. Empty where the rim names the tray too, or no rim tag of another number can be read.
    """
    if not _head_only(pose.tags):
        return ()
    found: dict[int, list[ReadTag]] = {}
    for corner in RIM_CORNERS:
        points = pose.size.tag_corners_mm(corner)
        expected, spread = pose.project(points), pose.pixel_uncertainty_px(points).max()
        reach = 3 * spread + SEARCH_SLACK_MM * edge_length_px(expected) / TAG_EDGE_MM
        others = [tag_id(n, corner) for n in range(LAST_TRAY_NUMBER + 1) if n != pose.number]
        tag = reader.read_any_at(others, expected, float(reach))
        if tag is not None:
            found.setdefault(tag.tray_number, []).append(tag)
    most = max(found.values(), key=len, default=[])
    return tuple(most) if _on_one_tray(pose, most) else ()


def _on_one_tray(pose: TrayPose, others: Sequence[ReadTag]) -> bool:
    """Whether tags of another number lie where this tray's own missing tags would."""
    free = [
        tag
        for tag in others
        if all(tag.corner != own.corner for own in pose.tags) and _is_near(tag, pose)
    ]
    if not free or len({tag.corner for tag in free}) < len(free):
        return False
    return place((*pose.tags, *free), pose.size, pose.camera) is not None


def _is_near(tag: ReadTag, pose: TrayPose) -> bool:
    points = pose.size.tag_corners_mm(tag.corner)
    away = np.linalg.norm(tag.corners_px - pose.project(points), axis=1).max()
    reach = _NEAR_MM * tag_px_per_mm(tag) + 3 * pose.pixel_uncertainty_px(points).max()
    return bool(away < reach)


def _head_only(tags: Sequence[ReadTag]) -> bool:
    return all(tag.corner in HEAD_CORNERS for tag in tags)


def _strip_astray(number: int, carrier: int) -> TrayProblem:
    return TrayProblem(
        number,
        (Doubt.KITS_MIXED,),
        f"Tray {number}: its height strip stands on tray {carrier}; tray {number} is not measured. "
        "Put each tray's own strip back.",
    )


def _mixed(number: int, other: int) -> TrayProblem:
    return TrayProblem(
        number,
        (Doubt.KITS_MIXED,),
        f"Tray {number}: parts of its kit and of tray {other}'s lie on one tray, so which of the "
        "two it is cannot be told. Put each tray's own bars back.",
    )
