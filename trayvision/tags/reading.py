"""Tags of the reference kit as they are read in a photo."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.photo.photo import Photo
from trayvision.reference_kit import (
    CARRIED_STRIP_NUMBER,
    TAGS_PER_TRAY,
    in_kit,
    tray_and_corner,
)
from trayvision.tags.corners import RefinedCorners, edge_length_px, refine_corners
from trayvision.tags.family import TAG_CELLS, family
from trayvision.tags.search import decode, read_cells, search_any, search_tag

FloatArray = npt.NDArray[np.float64]
GreyImage = npt.NDArray[np.uint8]

# One window of the adaptive threshold finds as many tags as three and takes half the time.
THRESHOLD_WINDOW_PX = 23
# OpenCV's own.
LEAST_PERIMETER = 0.03
# A code that nobody expected may have any of 587 ids in four turns, so it must be cleaner
# than one at its predicted place: two wrong cells of 36 are a chance of 2e-5 a quad.
MOST_WRONG_CELLS = 2
LEAST_SEEN_CELLS = 30
# What the plain reader gives is no better than this share of an edge.
ROUGH_SIGMA_EDGES = 0.02
# Larger photos are not enlarged in search of small tags: it would take as long as all else.
ENLARGED_UP_TO_PX = 1700
# Photos this large are read at half their size first, which takes a third of the time; there not
# below two pixels a cell, where hardly a tag is read but every kernel may be a quad.
HALVED_FROM_PX = 1600
LEAST_HALVED_EDGE_PX = 2 * TAG_CELLS


@dataclass(frozen=True, eq=False)
class ReadTag:
    """One tag as read in a photo.

    Parameters
    ----------
    id : int
        Number in the family tag36h11.
    corners_px : (4, 2) array
        Upright full-size px, as printed: up-left, up-right, down-right, down-left.
    corner_sigma_px : float
        Standard uncertainty of each coordinate in full-size px.
    """

    id: int
    corners_px: FloatArray
    corner_sigma_px: float

    @property
    def tray_number(self) -> int:
        """Number of the tray that the tag is printed for; 96 is the carried strip."""
        return tray_and_corner(self.id)[0]

    @property
    def corner(self) -> int:
        """Place of the tag on its tray, 0 to 5."""
        return tray_and_corner(self.id)[1]

    @property
    def edge_px(self) -> float:
        """Mean length of the four edges in full-size px."""
        return edge_length_px(self.corners_px)


@dataclass(frozen=True, eq=False)
class TagReader:
    """Reads tags in one photo: `grey` (h, w) are its working pixels in sRGB-coded grey."""

    photo: Photo
    grey: GreyImage

    @classmethod
    def of(cls, photo: Photo) -> "TagReader":
        """Reader of a photo."""
        grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
        return cls(photo, np.asarray(grey, dtype=np.uint8))

    def read_all(self) -> tuple[ReadTag, ...]:
        """Tags that stand out by themselves, anywhere in the photo; the same id may recur."""
        if max(self.grey.shape) >= HALVED_FROM_PX:
            halved = cv2.resize(self.grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            found = self._detect(np.asarray(halved, dtype=np.uint8), 0.5, LEAST_HALVED_EDGE_PX)
            tags = self._decode(*found)
            if _complete(tags):
                return tags
        tags, rejected = self._detect(self.grey, 1.0)
        if _any_pair(tags):
            return tags
        return self._read_harder(tags, rejected)

    def looks_mirrored(self) -> bool:
        """Whether tags are read in the flipped photo though none is in the photo itself."""
        flipped = TagReader(self.photo, np.ascontiguousarray(self.grey[:, ::-1]))
        return bool(flipped._detect(flipped.grey, 1.0)[0])

    def read_at(self, tag: int, expected_px: FloatArray, radius_px: float) -> ReadTag | None:
        """One tag where its corners (4, 2) should be in full-size px, within a radius."""
        expected = self.photo.to_working(expected_px)
        radius = radius_px * self.photo.scale
        inside = expected.mean(axis=0)
        if (inside < -radius).any() or (inside > np.array(self.grey.shape[::-1]) + radius).any():
            return None
        refined = search_tag(self.grey, expected, tag, radius)
        return None if refined is None else self._tag(tag, refined)

    def read_any_at(
        self, tags: Sequence[int], expected_px: FloatArray, radius_px: float
    ) -> ReadTag | None:
        """Whichever of several tags is seen at a place, as `read_at` sees the one it is asked."""
        expected = self.photo.to_working(expected_px)
        inside = expected.mean(axis=0)
        if (inside < 0).any() or (inside > np.array(self.grey.shape[::-1])).any():
            return None
        found = search_any(self.grey, expected, tags, radius_px * self.photo.scale)
        return None if found is None else self._tag(*found)

    def read_again(self, tag: ReadTag, expected_px: FloatArray) -> ReadTag:
        """The same tag refined from better corners; as it was when they lead nowhere."""
        expected = self.photo.to_working(expected_px)
        refined = refine_corners(self.grey, [expected], [tag.id])[0]
        again = tag if refined is None else self._tag(tag.id, refined)
        return tag if again.corner_sigma_px > tag.corner_sigma_px else again

    def _tag(self, tag: int, refined: RefinedCorners) -> ReadTag:
        return ReadTag(
            tag, self.photo.to_full(refined.corners_px), refined.sigma_px / self.photo.scale
        )

    def _detect(
        self, grey: GreyImage, enlargement: float, least_edge_px: int = 0
    ) -> tuple[tuple[ReadTag, ...], list[FloatArray]]:
        """Tags that OpenCV reads in a version of the photo, and quads in which it does not."""
        least_share = 4 * least_edge_px / max(grey.shape)
        quads, ids, rejected = _detector(max(least_share, LEAST_PERIMETER)).detectMarkers(grey)
        # No id at all comes as None, which OpenCV's type hints do not say.
        found = [int(tag) for tag in np.ravel(ids)] if len(quads) else []
        tags = self._verified(
            [(tag, _unscaled(quad, enlargement)) for quad, tag in zip(quads, found, strict=True)]
        )
        return tags, [_unscaled(quad, enlargement) for quad in rejected]

    def _verified(self, read: Sequence[tuple[int, FloatArray]]) -> tuple[ReadTag, ...]:
        """Those tags whose cells, read again between refined corners, leave no doubt of the id."""
        ids = [tag for tag, _ in read if in_kit(tag)]
        rough = [corners for tag, corners in read if in_kit(tag)]
        refined = [
            found or _unrefined(corners)
            for corners, found in zip(rough, refine_corners(self.grey, rough, ids), strict=True)
        ]
        cells = read_cells(self.grey, [one.corners_px for one in refined], ids)
        return tuple(
            self._tag(tag, one)
            for tag, one, agreement in zip(ids, refined, cells, strict=True)
            if agreement is not None
            and agreement.seen >= LEAST_SEEN_CELLS
            and agreement.wrong <= MOST_WRONG_CELLS
        )

    def _read_harder(
        self, tags: tuple[ReadTag, ...], rejected: list[FloatArray]
    ) -> tuple[ReadTag, ...]:
        """Look into the quads left over, after local contrast, and in an enlarged photo.

        For dim, veiled, blurred or small tags; dear, so only where no two tags stand out.
        """
        tags = self._decode(tags, rejected)
        if not _any_pair(tags):
            even = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(self.grey)
            more, rejected = self._detect(np.asarray(even, dtype=np.uint8), 1.0)
            tags = self._decode(_without_repeats((*tags, *more)), rejected)
        if not tags and max(self.grey.shape) <= ENLARGED_UP_TO_PX:
            larger = cv2.resize(self.grey, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC)
            more, rejected = self._detect(np.asarray(larger, dtype=np.uint8), 2.0)
            tags = self._decode(more, rejected)
        return tags

    def _decode(self, tags: tuple[ReadTag, ...], quads: list[FloatArray]) -> tuple[ReadTag, ...]:
        """The tags with those that the tolerant reader makes out in further quads."""
        read = []
        for corners in quads:
            code = decode(self.grey, corners) if edge_length_px(corners) > 8.0 else None
            if code is not None:
                read.append((code[0], np.roll(corners, -code[1], axis=0)))
        return _without_repeats((*tags, *self._verified(read)))


def _unrefined(corners: FloatArray) -> RefinedCorners:
    sigma_px = ROUGH_SIGMA_EDGES * edge_length_px(corners) + 0.5
    return RefinedCorners(corners, sigma_px, 0.0)


def same_print(tag: ReadTag, other: ReadTag) -> bool:
    """Whether two readings are of the same piece of paper."""
    away = np.linalg.norm(tag.corners_px.mean(axis=0) - other.corners_px.mean(axis=0))
    return tag.id == other.id and bool(away < 0.5 * tag.edge_px)


def _without_repeats(tags: tuple[ReadTag, ...]) -> tuple[ReadTag, ...]:
    kept: list[ReadTag] = []
    for tag in tags:
        if not any(same_print(tag, other) for other in kept):
            kept.append(tag)
    return tuple(kept)


def _complete(tags: tuple[ReadTag, ...]) -> bool:
    """Whether of every tray of which a tag was read all were, the carried strip's with them."""
    corners: dict[int, set[int]] = {tag.tray_number: set() for tag in tags}
    for tag in tags:
        corners[tag.tray_number].add(tag.corner)
    strip = corners.pop(CARRIED_STRIP_NUMBER, set())
    return bool(corners) and all(len(own | strip) == TAGS_PER_TRAY for own in corners.values())


def _any_pair(tags: tuple[ReadTag, ...]) -> bool:
    numbers = [tag.tray_number for tag in tags]
    return len(numbers) > len(set(numbers))


def _unscaled(quad: npt.ArrayLike, enlargement: float) -> FloatArray:
    return (np.reshape(quad, (4, 2)).astype(np.float64) + 0.5) / enlargement - 0.5


@lru_cache(maxsize=8)
def _detector(least_perimeter: float) -> cv2.aruco.ArucoDetector:
    """Reader of quads whose perimeter is at least this share of the picture's long side."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = least_perimeter
    parameters.adaptiveThreshWinSizeMin = THRESHOLD_WINDOW_PX
    parameters.adaptiveThreshWinSizeMax = THRESHOLD_WINDOW_PX
    parameters.errorCorrectionRate = 1.0
    return cv2.aruco.ArucoDetector(family(), parameters)
