"""Render sample photos and training photos of fodder trays with exact truth beside them.

python sample_images/render.py --set training --seeds 0-199 --out DIR --variant cuda_ad_rgb
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
import traceback
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

import camera_effects
from camera_effects import Shot
from lighting import random_light
from scene_builder import scene_layers
from scene_plan import PhotoPlan
from series_set import series_photos
from training_set import training_photo
from viewpoints import Camera, ViewWish, framing_points, take_view


@dataclass(frozen=True)
class Settings:
    """How a batch is rendered."""

    out: Path
    variant: str
    samples: int
    class_samples: int
    scale: float


def _scaled(wish: ViewWish, scale: float) -> ViewWish:
    return replace(wish, width=round(wish.width * scale), height=round(wish.height * scale))


def _camera(plan: PhotoPlan, scale: float) -> Camera:
    points = framing_points(plan.tray.size, with_head=plan.tray.kit.strip)
    return take_view(_scaled(plan.view, scale), points)


def _exact(plan: PhotoPlan, camera: Camera) -> Shot | None:
    return None if plan.shot is None else replace(plan.shot, hfov_deg=camera.hfov_deg)


def render_photo(plan: PhotoPlan, settings: Settings) -> float:
    """Render one photo and write its JPEG, masks and truth; seconds taken."""
    # Mitsuba's modules exist only once a variant is chosen.
    from path_tracing import TracedScene
    from truth import class_mask, photo_truth

    started = time.monotonic()
    camera = _camera(plan, settings.scale)
    light = random_light(
        np.random.default_rng([plan.seed, 41]), plan.light_kind, plan.light_tint, camera.position_mm
    )
    layers, shoots = scene_layers(plan)
    scene = TracedScene(layers, light, camera)
    linear = scene.photo(settings.samples, plan.noise)
    shares = scene.class_shares(settings.class_samples, plan.noise + 7)
    mask = class_mask(shares, with_neighbours=False)
    facts = photo_truth(plan, scene, camera, light, mask)
    facts["n_shoots"] = shoots
    if plan.shot is not None:
        facts["taken_at"] = plan.shot.taken_at.isoformat()
        facts["exif_orientation"] = plan.shot.orientation
    rng = np.random.default_rng([plan.noise, 51])
    photo = camera_effects.developed(rng, linear, plan.camera_look, light.illuminant)
    stem = settings.out / plan.name
    camera_effects.save_jpeg(
        photo, Path(f"{stem}.jpg"), quality=plan.camera_look.jpeg_quality, shot=_exact(plan, camera)
    )
    cv2.imwrite(f"{stem}.classes.png", mask, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    if plan.neighbours:
        everything = class_mask(shares, with_neighbours=True)
        cv2.imwrite(f"{stem}.all_classes.png", everything, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    Path(f"{stem}.json").write_text(json.dumps(facts, separators=(",", ":")))
    return time.monotonic() - started


def _plans(name: str, seeds: range) -> list[PhotoPlan]:
    if name == "training":
        return [training_photo(seed) for seed in seeds]
    if name == "series":
        return series_photos(seeds)
    import photo_sets

    return photo_sets.PLANS[name]()[seeds.start : seeds.stop]


def _work(job: tuple[PhotoPlan, Settings]) -> str:
    import mitsuba

    plan, settings = job
    if mitsuba.variant() is None:
        mitsuba.set_variant(settings.variant)
        cv2.setNumThreads(1)
    try:
        seconds = render_photo(plan, settings)
    except Exception:
        return f"{plan.name} FAILED\n{traceback.format_exc()}"
    return f"{plan.name} {seconds:.2f} s"


def _seeds(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def main(arguments: list[str]) -> int:
    """Command line; returns the number of photos that failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=["training", "series", "samples", "run"], required=True)
    parser.add_argument("--seeds", type=_seeds, default=range(100000), help="first-last")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--variant", default="llvm_ad_rgb")
    parser.add_argument("--samples", type=int, default=64)
    parser.add_argument("--class-samples", type=int, default=16)
    parser.add_argument("--scale", type=float, default=1.0, help="of the photo's size, to try out")
    parser.add_argument("--jobs", type=int, default=1)
    chosen = parser.parse_args(arguments)
    chosen.out.mkdir(parents=True, exist_ok=True)
    settings = Settings(
        chosen.out, chosen.variant, chosen.samples, chosen.class_samples,
        chosen.scale,
    )  # fmt: skip
    jobs = [(plan, settings) for plan in _plans(chosen.set, chosen.seeds)]
    failed = 0
    context = multiprocessing.get_context("spawn")
    with context.Pool(chosen.jobs) as pool:
        for line in pool.imap_unordered(_work, jobs):
            print(line, flush=True)
            failed += "FAILED" in line
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
