# mypy: disable-error-code="misc,no-any-return,untyped-decorator,no-untyped-def,unused-ignore"
"""Train the pixel classifier and write it as ONNX. Needs PyTorch and onnx besides trayvision.

    python -m trayvision.network.train pack RENDERS PACKED
    python -m trayvision.network.train train PACKED OUT --steps 20000 --composites 600

The same seed on the same device draws the same crops; the weights may still differ in their
last digits between devices. `trayvision.network.evaluate` judges the result.
"""

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from trayvision.colorimetry import linear_to_srgb, srgb_to_linear
from trayvision.network import composites, dataset
from trayvision.network.augment import (
    CROP_SIDE,
    Example,
    Pictures,
    draw_crops,
    random_camera,
    to_device,
)
from trayvision.network.model import (
    MOULD,
    SHOOT,
    TrayNet,
    full_resolution_logits,
    segmentation_loss,
)

CLASS_WEIGHTS = (1.5, 1.0, 1.0, 1.3, 1.3, 0.5, 1.5)
# Scales that tray crops are drawn at, mm a px; inspections never run finer than 0.5.
SCALES_MM_PER_PX = (0.45, 1.0)
COMPOSITE_SHARE = 0.20
NEGATIVE_SHARE = 0.03
OVERGROWN_SHARE = 0.12
OVERGROWN_COPIES = 1
CHECKPOINT_STEPS = 1000


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


def rendered_examples(folder: Path) -> list[Example]:
    """The packed renders of a folder."""
    examples = []
    for photo in dataset.read_index(folder):
        rgb, targets = dataset.read_packed(folder, photo)
        finest, coarsest = (scale / photo.mm_per_px for scale in SCALES_MM_PER_PX)
        examples.append(Example(rgb, targets, photo.gains, finest, coarsest))
    return examples


def drawn_examples(count: int, seed: int) -> list[Example]:
    """Composites, drawn by all processors."""
    with ProcessPoolExecutor(initializer=_one_thread) as pool:
        seeds = range(seed * 1_000_000, seed * 1_000_000 + count)
        drawn = pool.map(composites.compose, seeds, chunksize=8)
        return [Example(rgb, targets, (1.0, 1.0, 1.0), 0.5, 2.0) for rgb, targets in drawn]


def overgrown_examples(rendered: list[Example], copies: int, seed: int) -> list[Example]:
    """Pieces of the renders, in corrected light, with drawn mould besides their own."""
    jobs = rendered * copies
    seeds = range(seed * 1_000_000 + 500_000, seed * 1_000_000 + 500_000 + len(jobs))
    with ProcessPoolExecutor(initializer=_one_thread) as pool:
        return list(pool.map(_overgrow, jobs, seeds, chunksize=4))


def _overgrow(example: Example, seed: int) -> Example:
    corrected = corrected_rgb(example)
    rgb, targets = composites.overgrow(
        (corrected * 255).round().astype(np.uint8), example.targets, seed
    )
    return Example(rgb, targets, (1.0, 1.0, 1.0), example.finest, example.coarsest)


def corrected_rgb(example: Example) -> npt.NDArray[np.float64]:
    """(h, w, 3) sRGB 0 to 1 with the example's gains applied in linear light."""
    linear = srgb_to_linear(example.rgb / 255.0) * np.array(example.gains)
    return linear_to_srgb(linear)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def negative_examples() -> list[Example]:
    """Photographs that scikit-image carries and that show neither plants nor mould."""
    from skimage import data

    names = ("astronaut", "coffee", "chelsea", "immunohistochemistry", "brick", "gravel", "retina")
    examples = []
    for name in names:
        try:
            picture = getattr(data, name)()
        except (OSError, ModuleNotFoundError, AttributeError) as reason:
            print(f"left out the negative {name}: {reason}")
            continue
        rgb = picture[..., :3] if picture.ndim == 3 else np.repeat(picture[..., None], 3, 2)
        targets = np.full(rgb.shape[:2], dataset.HARMLESS, np.uint8)
        examples.append(Example(np.ascontiguousarray(rgb), targets, (1.0, 1.0, 1.0), 0.6, 2.0))
    return examples


def sampling_weights(rendered: list[Example], overgrown: int, drawn: int, negative: int) -> Tensor:
    """How often each picture is drawn: more often with mould, and half grown over."""
    renders = np.array(
        [
            (1.5 if (e.targets == MOULD).any() else 1.0)
            * (2.0 if 0.005 < (e.targets == SHOOT).mean() < 0.45 else 1.0)
            for e in rendered
        ]
    )
    groups = [(renders, 1 - OVERGROWN_SHARE - COMPOSITE_SHARE - NEGATIVE_SHARE)]
    groups += [(np.ones(overgrown), OVERGROWN_SHARE)]
    groups += [(np.ones(drawn), COMPOSITE_SHARE), (np.ones(negative), NEGATIVE_SHARE)]
    return torch.tensor(np.concatenate([w / max(w.sum(), 1) * share for w, share in groups]))


def train(
    pictures: Pictures,
    weights: Tensor,
    settings: Settings,
    checkpoint: Callable[[TrayNet], None],
    device: str,
) -> TrayNet:
    """Fit the network; the returned one has the running mean of the weights."""
    torch.manual_seed(settings.seed)
    generator = torch.Generator(device=device).manual_seed(settings.seed)
    model = TrayNet().to(device, memory_format=torch.channels_last)
    if settings.start is not None:
        model.load_state_dict(torch.load(settings.start, map_location=device))
    average = deepcopy(model)
    ours, theirs = _floating(average), _floating(model)
    optimiser = torch.optim.AdamW(
        model.parameters(), settings.learning_rate, weight_decay=1e-2, fused=device == "cuda"
    )
    class_weights = torch.tensor(CLASS_WEIGHTS, device=device)
    weights = weights.to(device)
    started, running = time.monotonic(), torch.zeros((), device=device)
    for step in range(settings.steps):
        used = (time.monotonic() - started) / (60 * settings.minutes)
        progress = max(step / settings.steps, used)
        if progress >= 1:
            break
        for group in optimiser.param_groups:
            group["lr"] = settings.learning_rate * _schedule(progress, step)
        chosen = torch.multinomial(weights, settings.batch, True, generator=generator)
        loss = _loss_of_batch(model, pictures, chosen, class_weights, generator)
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


def _loss_of_batch(
    model: TrayNet,
    pictures: Pictures,
    chosen: Tensor,
    class_weights: Tensor,
    generator: torch.Generator,
) -> Tensor:
    with torch.no_grad():
        crops, targets = draw_crops(
            pictures, chosen, side=CROP_SIDE, mould_share=0.5, generator=generator
        )
        crops, targets = random_camera(crops, targets, pictures.gains[chosen], generator)
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
    """Write the network as ONNX with free height and width."""
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


def run(packed: Path, out: Path, settings: Settings) -> None:
    """Train on a packed folder; write ``tray_classes.onnx``, the weights and the scores."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    started = time.monotonic()
    rng = np.random.default_rng(settings.seed)
    rendered = rendered_examples(packed)
    drawn = drawn_examples(settings.composites, settings.seed)
    negative = negative_examples()
    overgrown = overgrown_examples(rendered, OVERGROWN_COPIES, settings.seed)
    weights = sampling_weights(rendered, len(overgrown), len(drawn), len(negative))
    pictures = to_device(rendered + overgrown + drawn + negative, device, rng)
    print(
        f"{len(rendered)} renders, {len(drawn)} drawn, {len(negative)} negatives, ready after "
        f"{time.monotonic() - started:.0f} s on {device}",
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
    fit.add_argument("--steps", type=int, default=20000)
    fit.add_argument("--batch", type=int, default=16)
    fit.add_argument("--composites", type=int, default=600)
    fit.add_argument("--seed", type=int, default=1)
    fit.add_argument("--learning-rate", type=float, default=3e-3)
    fit.add_argument(
        "--minutes", type=float, default=1e6, help="stop after this time at the latest"
    )
    fit.add_argument("--start", type=Path, help="weights (.pt) of an earlier training")
    given = vars(parser.parse_args())
    if given.pop("command") == "pack":
        print(len(dataset.pack_folder(given["renders"], given["packed"], workers=given["workers"])))
    else:
        run(given.pop("packed"), given.pop("out"), Settings(**given))


if __name__ == "__main__":
    main()
