"""Whether the tags of a placed tray bear out the size that was given for it.

Tags at one end place a tray of any size, and a size some hundredths off bends a pose until most of
its tags are about where it wants them. What gives such a size away are tags that can be read and
stand elsewhere, and a misfit that bars clipped on by hand do not leave.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from trayvision.pose.grouping import PlacedTags, expected_tag, lies_like_a_kit_tag
from trayvision.reference_kit import RIM_CORNERS, TAG_EDGE_MM, TraySize, tag_id
from trayvision.tags.reading import ReadTag, TagReader

FloatArray = npt.NDArray[np.float64]

# How far from its place by that size a tag is looked for, 90 mm; twice as far takes thrice as long.
_WIDE_SEARCH_EDGES = 3.0
# Bars shifted by hand up to 2 mm each way leave at most 0.65 mm in 200 drawn views, and the 142
# rendered trays of the size that was given, with their camera and without, 0.52 mm.
_MOUNTING_MISFIT_MM = 1.0
_FEWEST_FOR_MISFIT = 4
_FIRST_BAR = frozenset(RIM_CORNERS[:2])
_SECOND_BAR = frozenset(RIM_CORNERS[2:])


def contradicts_size(
    number: int, placed: PlacedTags, tags: Sequence[ReadTag], size: TraySize, reader: TagReader
) -> bool:
    """Whether tags of a placed tray say that it is not of its size, or a bar not in its place.

    Where tags of both bars agree, one tag more that does not is its own mistake.

    Parameters
    ----------
    number : int
        Of the tray.
    placed : PlacedTags
    tags : sequence of ReadTag
        Those of the tray's number that stood out by themselves.
    size : TraySize
    reader : TagReader
        Searches the tags that did not, farther off than their place by that size.
    """
    used = {tag.corner for tag in placed.tags}
    left = [tag for tag in tags if tag.corner not in used]
    unread = set(RIM_CORNERS) - used - {tag.corner for tag in left}
    wanted = (expected_tag(tag_id(number, one), one, placed.fit, size) for one in sorted(unread))
    left += [found for tag in wanted if (found := _found_elsewhere(tag, reader)) is not None]
    astray = {tag.corner for tag in left if lies_like_a_kit_tag(tag, placed.fit, size)}
    both_bars = bool(used & _FIRST_BAR) and bool(used & _SECOND_BAR)
    mistakes = 1 if both_bars else 0
    return len(astray) > mistakes or _misfit_mm(placed) > _MOUNTING_MISFIT_MM


def _found_elsewhere(there: ReadTag, reader: TagReader) -> ReadTag | None:
    return reader.read_at(there.id, there.corners_px, _WIDE_SEARCH_EDGES * there.edge_px)


def _misfit_mm(placed: PlacedTags) -> float:
    """Root mean square distance of the tags from their places, but for the worst; 0 for few."""
    if len(placed.tags) < _FEWEST_FOR_MISFIT:
        return 0.0
    edges_px = np.array([tag.edge_px for tag in placed.tags])
    misfit: FloatArray = np.sort(placed.fit.tag_rms_px[: len(edges_px)] / edges_px) * TAG_EDGE_MM
    return float(np.sqrt(np.mean(misfit[:-1] ** 2)))
