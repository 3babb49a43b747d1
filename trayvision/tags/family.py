"""The tag family tag36h11: its codes and how well cells read from a photo fit one of them."""

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TAG_COUNT = 587
PAYLOAD_CELLS = 6
# Payload and the black border around it.
TAG_CELLS = PAYLOAD_CELLS + 2


@cache
def family() -> cv2.aruco.Dictionary:
    """The family as OpenCV's reader takes it."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


@cache
def payload_bits() -> BoolArray:
    """(587, 6, 6) payload as printed, rows from the up edge, True where white."""
    codes = family().bytesList
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(code[None], PAYLOAD_CELLS) for code in codes]
    return np.stack(bits).astype(bool)


def tag_cells(tag: int) -> BoolArray:
    """(8, 8) cells of a tag as printed with its black border, True where white.

    Raises
    ------
    ValueError
        If `tag` is not 0 to 586.
    """
    if not 0 <= tag < TAG_COUNT:
        raise ValueError(f"tag must be 0 to {TAG_COUNT - 1}, got {tag!r}")
    return np.pad(payload_bits()[tag], 1)


def payload_distances(bits: BoolArray, seen: BoolArray) -> npt.NDArray[np.int_]:
    """(587, 4) differing cells of (6, 6) `bits` among those `seen`, for each id and quarter turn.

    Turn k compares with the printed payload turned k quarters counter-clockwise.
    """
    counted = seen.ravel().astype(np.float32)
    signs = np.where(bits.ravel(), 1.0, -1.0).astype(np.float32) * counted
    agreement = _turned_signs() @ signs
    return np.asarray(np.rint((counted.sum() - agreement) / 2), dtype=np.int_)


@cache
def _turned_signs() -> npt.NDArray[np.float32]:
    turned = [np.rot90(payload_bits(), k, axes=(1, 2)) for k in range(4)]
    signs = np.where(np.stack(turned, axis=1), 1.0, -1.0).astype(np.float32)
    return signs.reshape(TAG_COUNT, 4, -1)
