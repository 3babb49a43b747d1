# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""Train the mould scan on plans of rendered trays and write it as ONNX. Needs PyTorch, onnx.

    python -m trayvision.network.train_scan pack RENDERS PLANS
    python -m trayvision.network.train_scan train PLANS OUT --minutes 10

Runs on a CPU. Plans are laid out by the installed segmentation, so it is trained after that.
"""

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor, nn
from torch.nn import functional

from trayvision.camera import NO_DISTORTION, Camera
from trayvision.inspection import inspect_photo
from trayvision.mould_scan import CHANNELS, STRIDE, scan_input
from trayvision.rectification import photo_map
from trayvision.segmentation import TrayClass

CROP = 192
BATCH = 16
IGNORE_RIM_MM = 5.0
# Mould of which less than this shows cannot be learned from.
LEAST_VISIBLE_SHARE = 0.04
LEAST_VISIBLE_PX = 12


class ScanNet(nn.Module):
    """(n, 11, h, w), sides divisible by 16, to logits (n, 1, h/4, w/4)."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(nn.Conv2d(CHANNELS, 16, 2, stride=2), nn.ReLU())
        self.half = _block(16, 24)
        self.quarter = _block(24, 32)
        self.eighth = nn.Sequential(_block(32, 40), _block(40, 40))
        self.across = nn.Conv2d(40, 32, 1)
        self.merge = _block(32, 24)
        self.head = nn.Conv2d(24, 1, 1)

    def forward(self, plan: Tensor) -> Tensor:
        """Logits of mould, one for each 4 x 4 pixels."""
        quarter = self.quarter(functional.max_pool2d(self.half(self.stem(plan)), 2))
        eighth = self.eighth(functional.max_pool2d(quarter, 2))
        up = functional.interpolate(self.across(eighth), scale_factor=2, mode="nearest")
        return self.head(self.merge(functional.relu(quarter + up)))


def _block(channels_in: int, channels_out: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(channels_in, channels_out, 3, padding=1, bias=False),
        nn.BatchNorm2d(channels_out),
        nn.ReLU(),
    )


@dataclass(frozen=True)
class Plan:
    """One packed plan: what the scan sees of a tray, and what is there."""

    colours: npt.NDArray[np.uint8]
    shares: npt.NDArray[np.uint8]
    judged: npt.NDArray[np.bool_]
    target: npt.NDArray[np.uint8]


def pack(renders: Path, out: Path) -> None:
    """Lay out every render of a folder with the installed segmentation."""
    out.mkdir(parents=True, exist_ok=True)
    for path in sorted(renders.glob("*.json")):
        truth = json.loads(path.read_text())
        if "tray" not in truth:
            continue
        tray, lens = truth["tray"], truth["camera"]
        camera = Camera.from_json(
            json.dumps(
                {key: lens[key] for key in ("width", "height", "fx", "fy", "cx", "cy")}
                | {"distortion": list(NO_DISTORTION)}
            )
        )
        size = (tray["length"], tray["width"], tray["depth"])
        found = inspect_photo(path.with_suffix(".jpg"), tray_size=size, camera=camera)
        for one in found.trays:
            if one.number != truth["tray_number"] or one.pose is None:
                continue
            mask = cv2.imread(str(path.with_suffix("")) + ".classes.png", cv2.IMREAD_GRAYSCALE)
            map_x, map_y = photo_map(one.pose, one.plan.grid, one.plan.z_mm)
            mould = (np.asarray(mask) == TrayClass.MOULD).astype(np.float32)
            visible = cv2.remap(mould, map_x, map_y, cv2.INTER_LINEAR)
            np.savez_compressed(
                out / f"{path.stem}.npz",
                colours=one.plan.colours,
                shares=np.rint(one.plan.shares * 255).astype(np.uint8),
                judged=one.plan.judged,
                visible=(visible * 255).astype(np.uint8),
                patches=_patch_map(truth["mould"], one.plan.grid, one.plan.judged.shape),
            )


def _patch_map(patches, grid, shape: tuple[int, int]) -> npt.NDArray[np.uint8]:
    filled = np.zeros(shape, np.uint8)
    for index, patch in enumerate(patches, start=1):
        outline = np.array(patch["outline_mm"])
        column, row = grid.to_px(outline[:, 0], outline[:, 1])
        cv2.fillPoly(filled, [np.rint(np.stack([column, row], 1)).astype(np.int32)], index)
    return filled


def read_plan(path: Path) -> Plan:
    """A packed plan; target 1 mould, 0 none, 255 not to be judged."""
    data = np.load(path)
    patches, visible = data["patches"], data["visible"] > 100
    target = (visible & (patches == 0)).astype(np.uint8) * 255
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * int(IGNORE_RIM_MM) + 1,) * 2)
    for index in range(1, int(patches.max()) + 1):
        patch = patches == index
        shown = int((patch & visible).sum())
        learnable = shown >= max(LEAST_VISIBLE_PX, LEAST_VISIBLE_SHARE * patch.sum())
        target[cv2.dilate(patch.astype(np.uint8), kernel) > 0] = 255
        if learnable:
            near = cv2.dilate((patch & visible).astype(np.uint8), kernel[2:-2, 2:-2]) > 0
            target[patch & near] = 1
    return Plan(data["colours"], data["shares"], data["judged"], target)


def draw_batch(plans: list[Plan], rng: np.random.Generator) -> tuple[Tensor, Tensor]:
    """Crops of random plans, half of them around mould, turned, mirrored and re-lit."""
    inputs, targets = [], []
    mouldy = [plan for plan in plans if (plan.target == 1).any()]
    for index in range(BATCH):
        chosen = mouldy if index % 2 else plans
        plan = chosen[int(rng.integers(len(chosen)))]
        channels, target = _augmented(plan, rng, around_mould=bool(index % 2))
        inputs.append(channels)
        targets.append(target)
    return torch.from_numpy(np.stack(inputs)), torch.from_numpy(np.stack(targets))


def _augmented(plan: Plan, rng: np.random.Generator, *, around_mould: bool):
    gain = np.exp(rng.normal(0, 0.2) + rng.normal(0, 0.06, 3))
    gamma = np.exp(rng.normal(0, 0.12))
    colours = (plan.colours / 255.0) ** gamma * gain ** (1 / 2.4)
    colours = colours + rng.normal(0, rng.uniform(0, 0.02), colours.shape)
    colours = np.clip(np.rint(colours * 255), 0, 255).astype(np.uint8)
    if rng.random() < 0.3:
        colours = cv2.GaussianBlur(colours, (0, 0), rng.uniform(0.5, 1.2))
    shares = plan.shares.astype(np.float32) / 255
    if rng.random() < 0.4:
        # The first network sees its own training renders too clearly: blunt it.
        shares[TrayClass.MOULD] *= rng.uniform(0.2, 1)
    channels = scan_input(colours, shares, plan.judged)
    target = np.full(channels.shape[1:], 255, np.uint8)
    target[: plan.target.shape[0], : plan.target.shape[1]] = plan.target
    target[: plan.judged.shape[0], : plan.judged.shape[1]][~plan.judged] = 255
    top, left = _corner(target, rng, around_mould)
    pad = ((0, max(0, CROP - channels.shape[1])), (0, max(0, CROP - channels.shape[2])))
    channels = np.pad(channels, ((0, 0), *pad))[:, top : top + CROP, left : left + CROP]
    target = np.pad(target, pad, constant_values=255)[top : top + CROP, left : left + CROP]
    turns, mirror = int(rng.integers(4)), rng.random() < 0.5
    channels, target = np.rot90(channels, turns, (1, 2)), np.rot90(target, turns)
    if mirror:
        channels, target = channels[:, :, ::-1], target[:, ::-1]
    blocks = target.reshape(CROP // STRIDE, STRIDE, CROP // STRIDE, STRIDE)
    positive, ignored = (blocks == 1).sum((1, 3)), (blocks == 255).sum((1, 3))
    cells = np.where(positive >= 6, 1, np.where(positive + ignored > 4, 255, 0))
    return np.ascontiguousarray(channels), cells.astype(np.int64)


def _corner(target: npt.NDArray[np.uint8], rng: np.random.Generator, around_mould: bool):
    top = int(rng.integers(max(1, target.shape[0] - CROP + 1)))
    left = int(rng.integers(max(1, target.shape[1] - CROP + 1)))
    rows, columns = np.nonzero(target == 1)
    if around_mould and rows.size:
        pick = int(rng.integers(rows.size))
        top = rows[pick] - int(rng.integers(CROP))
        left = columns[pick] - int(rng.integers(CROP))
    return (
        int(np.clip(top, 0, max(0, target.shape[0] - CROP))),
        int(np.clip(left, 0, max(0, target.shape[1] - CROP))),
    )


def scan_loss(logits: Tensor, cells: Tensor) -> Tensor:
    """Cross-entropy on judged cells, blunt ones weighted down (focal loss, Lin et al. 2017)."""
    judged = cells != IGNORED
    truth = (cells == 1).float()
    loss = functional.binary_cross_entropy_with_logits(logits[:, 0], truth, reduction="none")
    weight = (1 - torch.exp(-loss)).detach() * torch.where(truth > 0, 2.0, 1.0)
    return (loss * weight * judged).sum() / (weight * judged).sum().clamp(min=1)


IGNORED = 255


def train(plans: list[Plan], out: Path, *, minutes: float, seed: int) -> None:
    """Train for so many minutes and write ``mould_scan.onnx``."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    network = ScanNet()
    optimiser = torch.optim.AdamW(network.parameters(), lr=3e-3, weight_decay=1e-3)
    start, step = time.monotonic(), 0
    while (passed := (time.monotonic() - start) / (60 * minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = 3e-3 * min(1.0, 20 * passed + 0.02) * (1 - passed) ** 0.8
        inputs, cells = draw_batch(plans, rng)
        loss = scan_loss(network(inputs), cells)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        step += 1
        if step % 50 == 0:
            print(f"step {step} loss {float(loss):.4f} of time {passed:.2f}", flush=True)
    out.mkdir(parents=True, exist_ok=True)
    network.eval()
    torch.onnx.export(
        network,
        (torch.zeros(1, CHANNELS, 288, 544),),
        str(out / "mould_scan.onnx"),
        input_names=["plan"],
        output_names=["logits"],
        dynamic_axes={"plan": {2: "h", 3: "w"}, "logits": {2: "h4", 3: "w4"}},
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    """Run one of the two commands above."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("command", choices=("pack", "train"))
    parser.add_argument("source", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.command == "pack":
        pack(options.source, options.out)
        return
    plans = [read_plan(path) for path in sorted(options.source.glob("*.npz"))]
    train(plans, options.out, minutes=options.minutes, seed=options.seed)


if __name__ == "__main__":
    main()
