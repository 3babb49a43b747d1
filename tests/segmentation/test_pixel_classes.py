"""Which network tells which pixel, against both run over the whole and worked out plainly."""

import json
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image
from scipy.special import softmax

from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass, tell_apart

RgbImage = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
NETWORKS = files("trayvision") / "network"
PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"


def shares_of(name: str, rgb: RgbImage) -> FloatArray:
    """(7, h, w) shares by one network of a picture whose sides are divisible by 16.

    Its output is as `trayvision/network/CARD.md` says: seven logits a block of 2 x 2 px, then
    what to add to the logit of shoot of its four pixels, in reading order.
    """
    network = cv2.dnn.readNetFromONNX(str(NETWORKS / name), cv2.dnn.ENGINE_CLASSIC)
    network.setInput(cv2.dnn.blobFromImage(rgb))
    outputs = network.forward()[0].astype(np.float64)
    logits = outputs[:CLASS_COUNT].repeat(2, axis=1).repeat(2, axis=2)
    for index, addition in enumerate(outputs[CLASS_COUNT:]):
        row, column = divmod(index, 2)
        logits[TrayClass.SHOOT, row::2, column::2] += addition
    return np.asarray(softmax(logits, axis=0))


def told(rgb: RgbImage) -> FloatArray:
    """(7, h, w) shares as the library tells them."""
    shoot, among_others = tell_apart(rgb)
    spread = among_others.repeat(2, axis=1).repeat(2, axis=2)
    shares = spread[:, : shoot.shape[0], : shoot.shape[1]] * (1 - shoot)
    shares[TrayClass.SHOOT] = shoot
    return shares.astype(np.float64)


@pytest.fixture(scope="module")
def mouldy() -> tuple[RgbImage, tuple[int, int]]:
    """A piece of a sample photo and the (row, column) of the middle of its patch."""
    name = "day3-wheat-black-mould-20mm-fixed"
    truth = json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))
    rows, columns = np.nonzero(
        np.asarray(Image.open(PHOTOS / f"{name}.classes.png")) == TrayClass.MOULD
    )
    assert len(truth["mould"]) == 1
    row, column = round(float(rows.mean())), round(float(columns.mean()))
    photo = np.asarray(Image.open(PHOTOS / f"{name}.jpg").convert("RGB"))
    top, left = max(0, row - 192), max(0, column - 256)
    return np.ascontiguousarray(photo[top : top + 384, left : left + 512]), (
        row - top,
        column - left,
    )


def test_away_from_any_sign_of_mould_the_first_network_alone_tells(
    mouldy: tuple[RgbImage, tuple[int, int]],
) -> None:
    rgb, _ = mouldy
    first = shares_of("tray_classes.onnx", rgb)
    suspected = cv2.dilate((first[TrayClass.MOULD] > 0.1).astype(np.uint8), np.ones((81, 81)))
    away = suspected == 0
    assert away.mean() > 0.3
    assert np.abs(told(rgb) - first)[:, away].max() < 1e-4


def test_a_possible_patch_is_told_by_the_mean_of_both(
    mouldy: tuple[RgbImage, tuple[int, int]],
) -> None:
    rgb, (row, column) = mouldy
    first, second = shares_of("tray_classes.onnx", rgb), shares_of("second_look.onnx", rgb)
    # Where they agree, their mean could not be told from either.
    apart = np.abs(first - second).max(axis=0) > 0.1
    near = np.zeros_like(apart)
    near[row - 24 : row + 24, column - 24 : column + 24] = True
    judged = told(rgb)[:, near & apart]
    first, second = first[:, near & apart], second[:, near & apart]
    assert judged.shape[1] > 100
    # The second sees less around the patch here than when it sees the whole picture.
    assert np.abs(judged - (first + second) / 2).mean() < 0.01
    assert np.abs(judged - first).mean() > 0.02
    assert np.abs(judged - second).mean() > 0.02


def test_shares_sum_to_one_where_the_networks_are_averaged(
    mouldy: tuple[RgbImage, tuple[int, int]],
) -> None:
    rgb, _ = mouldy
    assert np.abs(told(rgb[:377, :501]).sum(axis=0) - 1).max() < 1e-4


def test_where_any_plant_may_be_shown_three_networks_tell_every_pixel(
    mouldy: tuple[RgbImage, tuple[int, int]],
) -> None:
    rgb, _ = mouldy
    names = ("tray_classes.onnx", "second_look.onnx", "any_plant.onnx")
    each = np.stack([shares_of(name, rgb) for name in names])
    # Were two of them alike, the mean could be that of fewer.
    for one, other in ((0, 1), (0, 2), (1, 2)):
        assert np.abs(each[one] - each[other]).max() > 0.2
    shoot, among_others = tell_apart(rgb, any_plant=True)
    assert np.abs(shoot - each.mean(axis=0)[TrayClass.SHOOT]).max() < 1e-4
    no_shoot = 1 - each[:, TrayClass.SHOOT]
    mould = (each[:, TrayClass.MOULD] / no_shoot.clip(1e-9)).mean(axis=0)
    spread = among_others[TrayClass.MOULD].repeat(2, axis=0).repeat(2, axis=1)
    surely_no_shoot = (no_shoot > 0.01).all(axis=0)
    assert surely_no_shoot.mean() > 0.3
    assert np.abs(spread - mould)[surely_no_shoot].max() < 1e-3
