# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""Train the pixel classifier and write it as ONNX. Needs PyTorch and onnx besides trayvision.

    python -m trayvision.network.train pack RENDERS PACKED
    python -m trayvision.network.train train PACKED OUT

The same seed on the same device draws the same crops; the weights may still differ in their
last digits between devices. `trayvision.network.evaluate` judges the result.
"""

import argparse
import time
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from trayvision.network import dataset
from trayvision.network.augment import CROP_SIDE, Pictures, draw_crops, random_camera, to_device
from trayvision.network.examples import OF_ANY_PLANT, OF_TRAYS, examples_to_learn
from trayvision.network.half_precision import halve
from trayvision.network.model import (
    DETAIL,
    WIDTHS,
    TrayNet,
    full_resolution_logits,
    segmentation_loss,
)

CLASS_WEIGHTS = (1.5, 1.0, 1.0, 1.3, 1.3, 0.5, 1.5)
CHECKPOINT_STEPS = 10_000


@dataclass(frozen=True)
class Settings:
    """One training."""

    steps: int
    batch: int
    composites: int
    seed: int
    learning_rate: float
    minutes: float
    start: Path | None
    photographs: tuple[Path, ...]
    things: tuple[Path, ...]
    widths: tuple[int, int, int, int]
    detail: int
    any_plant: bool


def train(
    pictures: Pictures,
    weights: Tensor,
    settings: Settings,
    checkpoint: Callable[[TrayNet], None],
    device: str,
) -> TrayNet:
    """Fit the network; the returned one has the running mean of the weights."""
    torch.manual_seed(settings.seed)
    torch.backends.cudnn.benchmark = True
    generator = torch.Generator(device=device).manual_seed(settings.seed)
    model = TrayNet(settings.widths, settings.detail).to(device, memory_format=torch.channels_last)
    if settings.start is not None:
        model.load_state_dict(torch.load(settings.start, map_location=device))
    average = deepcopy(model)
    ours, theirs = _floating(average), _floating(model)
    optimiser = torch.optim.AdamW(
        model.parameters(), settings.learning_rate, weight_decay=1e-2, fused=device == "cuda"
    )
    class_weights = torch.tensor(CLASS_WEIGHTS, device=device)
    weights = weights.to(device)
    loss_of = torch.compile(_loss) if device == "cuda" else _loss
    started, running = time.monotonic(), torch.zeros((), device=device)
    for step in range(settings.steps):
        used = (time.monotonic() - started) / (60 * settings.minutes)
        progress = max(step / settings.steps, used)
        if progress >= 1:
            break
        for group in optimiser.param_groups:
            group["lr"] = settings.learning_rate * _schedule(progress, step)
        crops, targets = _batch(pictures, weights, settings.batch, generator)
        loss = loss_of(model, crops, targets, class_weights)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 2.0)
        optimiser.step()
        torch._foreach_lerp_(ours, theirs, 0.002 if step > 500 else 0.1)
        running += loss.detach()
        if step % 250 == 249:
            minutes = (time.monotonic() - started) / 60
            print(
                f"step {step + 1} loss {running.item() / 250:.4f} minutes {minutes:.2f}", flush=True
            )
            running.zero_()
        if step % CHECKPOINT_STEPS == CHECKPOINT_STEPS - 1:
            checkpoint(average)
    return average.eval()


@torch.no_grad()
def _batch(
    pictures: Pictures, weights: Tensor, size: int, generator: torch.Generator
) -> tuple[Tensor, Tensor]:
    chosen = torch.multinomial(weights, size, True, generator=generator)
    crops, targets = draw_crops(
        pictures, chosen, side=CROP_SIDE, sick_share=0.5, generator=generator
    )
    return random_camera(crops, targets, pictures.gains[chosen], generator)


def _loss(model: TrayNet, crops: Tensor, targets: Tensor, class_weights: Tensor) -> Tensor:
    with torch.autocast(class_weights.device.type, torch.bfloat16):
        outputs = model(crops.contiguous(memory_format=torch.channels_last) / 255)
    return segmentation_loss(full_resolution_logits(outputs.float()), targets, class_weights)


def _schedule(progress: float, step: int) -> float:
    return min(1.0, (step + 1) / 300) * (0.5 + 0.5 * float(np.cos(np.pi * progress))) + 1e-3


def _floating(model: TrayNet) -> list[Tensor]:
    return [t for t in model.state_dict().values() if t.is_floating_point()]


class _FromBytes(torch.nn.Module):
    """The network for pixels 0 to 255, as the runtime feeds it."""

    def __init__(self, model: TrayNet) -> None:
        super().__init__()
        self.model = model
        self.model.stem[0].weight.data /= 255

    def forward(self, rgb: Tensor) -> Tensor:
        """Outputs of a batch of pictures."""
        return self.model(rgb)


def export(model: TrayNet, path: Path) -> None:
    """Write the network as ONNX with free height and width, its weights in 16 bits."""
    network = _FromBytes(deepcopy(model).cpu().to(memory_format=torch.contiguous_format)).eval()
    torch.onnx.export(
        network,
        (torch.rand(1, 3, 64, 96) * 255,),
        str(path),
        opset_version=13,
        dynamo=False,
        input_names=["rgb"],
        output_names=["outputs"],
        dynamic_axes={"rgb": {2: "h", 3: "w"}, "outputs": {2: "half_h", 3: "half_w"}},
    )
    halve(path)


def run(packed: Path, out: Path, settings: Settings) -> None:
    """Train on a packed folder; write ``tray_classes.onnx``, the weights and the scores."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    started = time.monotonic()
    rng = np.random.default_rng(settings.seed)
    examples, weights = examples_to_learn(
        packed,
        settings.composites,
        settings.seed,
        settings.photographs,
        settings.things,
        OF_ANY_PLANT if settings.any_plant else OF_TRAYS,
    )
    pictures = to_device(examples, device, rng)
    print(
        f"{len(examples)} pictures ready after {time.monotonic() - started:.0f} s on {device}",
        flush=True,
    )
    out.mkdir(parents=True, exist_ok=True)
    model = train(pictures, weights, settings, lambda average: save(average, out), device)
    save(model, out)
    print(f"done after {(time.monotonic() - started) / 60:.1f} minutes")


def save(model: TrayNet, out: Path) -> None:
    """Write ``tray_classes.pt`` and ``tray_classes.onnx``."""
    weights_on_cpu = {name: value.cpu() for name, value in model.state_dict().items()}
    torch.save(weights_on_cpu, out / "tray_classes.pt")
    export(model, out / "tray_classes.onnx")


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    pack = commands.add_parser("pack", help="cut rendered photos down to their trays")
    pack.add_argument("renders", type=Path)
    pack.add_argument("packed", type=Path)
    pack.add_argument("--workers", type=int, default=1)
    fit = commands.add_parser("train", help="train on packed photos")
    fit.add_argument("packed", type=Path)
    fit.add_argument("out", type=Path)
    fit.add_argument("--steps", type=int, default=48_200)
    fit.add_argument("--batch", type=int, default=96)
    fit.add_argument("--composites", type=int, default=3000)
    fit.add_argument("--seed", type=int, default=1)
    fit.add_argument("--learning-rate", type=float, default=3e-3)
    fit.add_argument(
        "--minutes", type=float, default=1e6, help="stop after this time at the latest"
    )
    fit.add_argument("--widths", type=int, nargs=4, default=WIDTHS)
    fit.add_argument("--detail", type=int, default=DETAIL, help="more layers at half resolution")
    fit.add_argument("--start", type=Path, help="weights (.pt) of an earlier training")
    fit.add_argument(
        "--photographs", type=Path, nargs="+", default=(), help="pictures without mould, or folders"
    )
    fit.add_argument(
        "--things",
        type=Path,
        nargs="+",
        default=(),
        help="cut-outs to lay on trays (not with --any-plant)",
    )
    fit.add_argument(
        "--any-plant",
        action="store_true",
        help="learn less from trays, more from drawn pictures and photographs",
    )
    given = vars(parser.parse_args())
    if given.pop("command") == "pack":
        print(len(dataset.pack_folder(given["renders"], given["packed"], workers=given["workers"])))
    else:
        packed, out = given.pop("packed"), given.pop("out")
        for several in ("widths", "photographs", "things"):
            given[several] = tuple(given[several])
        run(packed, out, Settings(**given))


if __name__ == "__main__":
    main()
