"""The networks that tell what each pixel of a light-corrected picture shows.

One network (`trayvision/network/CARD.md`) sees the whole picture. Where it sees the least sign of
mould, a second one of other widths looks at that place again and the two are averaged: what
networks take for mould and is none differs from one to the next, so their mean errs less and is
better calibrated (deep ensembles: Lakshminarayanan, Pritzel and Blundell 2017, Advances in Neural
Information Processing Systems 30). Such places are few and small, so the second look costs
little.

A picture without a kit may show any plant, or none. There both look at everything, and so does a
third network that learnt more from drawn pictures and photographs than from trays.
"""

import threading
from enum import IntEnum
from functools import lru_cache
from importlib.resources import as_file, files

import cv2
import numpy as np
import numpy.typing as npt

FloatImage = npt.NDArray[np.float32]
RgbImage = npt.NDArray[np.uint8]

_FIRST, _SECOND, _ANY_PLANT = "tray_classes.onnx", "second_look.onnx", "any_plant.onnx"
# Four poolings: the networks' coarsest cell is 16 px, 8 blocks of 2 x 2 px, wide.
_CELL_PX = 16
_CELL_BLOCKS = _CELL_PX // 2
# Half of the share from which on a region becomes a candidate patch. Chosen, not fitted; patches'
# likelihood was fitted on what follows from it.
_SIGN_OF_MOULD = 0.2
# What is judged anew around a sign of mould, in blocks: a patch's likelihood rests on the ring of
# 8 mm around it; and what the second network sees beside that, to know what it looks at.
_AROUND_BLOCKS = 12
_CONTEXT_BLOCKS = 24


class TrayClass(IntEnum):
    """What a pixel shows; `CANNOT_TELL` only in masks, never in shares."""

    OUTSIDE = 0
    BARE_TRAY = 1
    BED = 2
    SHOOT = 3
    MOULD = 4
    KIT = 5
    SLIME = 6
    CANNOT_TELL = 255


CLASS_COUNT = 7


def tell_apart(rgb: RgbImage, *, any_plant: bool = False) -> tuple[FloatImage, FloatImage]:
    """Share of shoot at every pixel, and of each class in what is no shoot.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
        sRGB in corrected light.
    any_plant : bool
        Whether the picture may show anything else than a tray: then all three networks look at
        the whole of it, in some four times the first one's time.

    Returns
    -------
    shoot : (h, w) float32 array
        0 to 1.
    among_others : (7, ceil(h / 2), ceil(w / 2)) float32 array
        Of each block of 2 x 2 px, the share of each `TrayClass` 0 to 6 in what is no shoot,
        summing to 1; 0 for shoot.
    """
    height, width = rgb.shape[:2]
    padded = np.asarray(
        cv2.copyMakeBorder(rgb, 0, -height % _CELL_PX, 0, -width % _CELL_PX, cv2.BORDER_REFLECT),
        dtype=np.uint8,
    )
    if any_plant:
        shoot, among_others = _mean_of_all(padded)
    else:
        shoot, among_others = _seen_by(_FIRST, padded)
        for inner, outer in _places_to_see_again(shoot, among_others):
            _average_in(padded, shoot, among_others, inner, outer)
    blocks = among_others[:, : -(-height // 2), : -(-width // 2)]
    return np.ascontiguousarray(shoot[:height, :width]), np.ascontiguousarray(blocks)


def _mean_of_all(padded: RgbImage) -> tuple[FloatImage, FloatImage]:
    """What the three networks say on average of a picture whose sides are divisible by 16."""
    names = (_FIRST, _SECOND, _ANY_PLANT)
    # Read anew each time: a network keeps what it worked with, which for a whole picture is more
    # than a hundred megabytes each, for ever.
    shoot, among_others = _shares(_outputs(_read(names[0]), padded))
    for name in names[1:]:
        shoot_again, others_again = _shares(_outputs(_read(name), padded))
        shoot += shoot_again
        among_others += others_again
    shoot /= len(names)
    among_others /= len(names)
    return shoot, among_others


# Rows and columns of blocks: (top, bottom, left, right).
_Box = tuple[int, int, int, int]


def _places_to_see_again(shoot: FloatImage, among_others: FloatImage) -> list[tuple[_Box, _Box]]:
    """Boxes around every sign of mould: what is judged anew, and what is looked at for it."""
    rows, columns = among_others.shape[1:]
    no_shoot = 1 - cv2.resize(shoot, (columns, rows), interpolation=cv2.INTER_AREA)
    mould = cv2.GaussianBlur(among_others[TrayClass.MOULD] * no_shoot, (0, 0), 1.0)
    signs = (mould > _SIGN_OF_MOULD).astype(np.uint8)
    if not signs.any():
        return []
    reach = 2 * _AROUND_BLOCKS + 1
    grown = cv2.dilate(signs, np.ones((reach, reach), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(grown)
    places = []
    for left, top, width, height, _ in stats[1:count].tolist():
        inner = (top, top + height, left, left + width)
        places.append((inner, _with_context(inner, rows, columns)))
    if sum((o[1] - o[0]) * (o[3] - o[2]) for _, o in places) < rows * columns:
        return places
    whole = (0, rows, 0, columns)
    return [(whole, whole)]


def _with_context(inner: _Box, rows: int, columns: int) -> _Box:
    def low(edge: int) -> int:
        return max(0, (edge - _CONTEXT_BLOCKS) // _CELL_BLOCKS * _CELL_BLOCKS)

    def high(edge: int, most: int) -> int:
        return min(most, -(-(edge + _CONTEXT_BLOCKS) // _CELL_BLOCKS) * _CELL_BLOCKS)

    top, bottom, left, right = inner
    return low(top), high(bottom, rows), low(left), high(right, columns)


def _average_in(
    padded: RgbImage, shoot: FloatImage, among_others: FloatImage, inner: _Box, outer: _Box
) -> None:
    """Average the second network's shares into those of the first within a box."""
    top, bottom, left, right = outer
    window = np.ascontiguousarray(padded[2 * top : 2 * bottom, 2 * left : 2 * right])
    shoot_again, others_again = _seen_by(_SECOND, window)
    rows, columns = slice(inner[0], inner[1]), slice(inner[2], inner[3])
    again = slice(inner[0] - top, inner[1] - top), slice(inner[2] - left, inner[3] - left)
    others = among_others[:, rows, columns]
    others += others_again[:, again[0], again[1]]
    others /= 2
    shoots = shoot[2 * inner[0] : 2 * inner[1], 2 * inner[2] : 2 * inner[3]]
    shoots += shoot_again[
        2 * again[0].start : 2 * again[0].stop, 2 * again[1].start : 2 * again[1].stop
    ]
    shoots /= 2


def _seen_by(name: str, rgb: RgbImage) -> tuple[FloatImage, FloatImage]:
    """What one network says of a picture whose sides are divisible by 16."""
    network, lock = _network(name)
    with lock:
        outputs = _outputs(network, rgb)
    return _shares(outputs)


def _outputs(network: cv2.dnn.Net, rgb: RgbImage) -> FloatImage:
    network.setInput(cv2.dnn.blobFromImage(rgb))
    return np.asarray(network.forward()[0], dtype=np.float32)


def _shares(outputs: FloatImage) -> tuple[FloatImage, FloatImage]:
    """Network outputs (11, h/2, w/2) to the share of shoot (h, w) and of the rest (7, h/2, w/2).

    Each 2 x 2 block has seven logits, and each of its four pixels a correction to the logit
    of shoot: the edge of a blade is told to the pixel, all else to the block. The outputs are
    used up.
    """
    logits, odds = outputs[:CLASS_COUNT], outputs[CLASS_COUNT:]
    margin = logits[TrayClass.SHOOT].copy()
    logits[TrayClass.SHOOT] = -1e4
    largest = logits.max(axis=0)
    logits -= largest
    # In place from here on: fresh memory costs as much time as the arithmetic.
    cv2.exp(logits, dst=logits)
    total = logits.sum(axis=0)
    margin -= largest + cv2.log(total)
    logits /= total
    odds += margin
    cv2.exp(np.negative(odds, out=odds), dst=odds)
    odds += 1
    rows, columns = margin.shape
    shoot = np.empty((2 * rows, 2 * columns), dtype=np.float32)
    for index, inverse in enumerate(odds):
        row, column = divmod(index, 2)
        np.divide(1, inverse, out=shoot[row::2, column::2])
    return shoot, logits


@lru_cache(maxsize=2)
def _network(name: str) -> tuple[cv2.dnn.Net, threading.Lock]:
    return _read(name), threading.Lock()


def _read(name: str) -> cv2.dnn.Net:
    # The classic engine runs 3 x 3 convolutions by Winograd's method, about twice as fast as
    # the new one of OpenCV 5; OpenCV 4 has only that one and no name for it.
    with as_file(files("trayvision") / "network" / name) as path:
        if hasattr(cv2.dnn, "ENGINE_CLASSIC"):
            return cv2.dnn.readNetFromONNX(str(path), cv2.dnn.ENGINE_CLASSIC)
        return cv2.dnn.readNetFromONNX(str(path))
