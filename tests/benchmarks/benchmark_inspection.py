"""Speed and memory of the inspection, each against something measured in the same run.

Run ``make benchmark`` or ``python tests/benchmarks/benchmark_inspection.py [--photo NAME.jpg]``.
The photo needs its truth file beside it, for the camera and the tray's size. Everything but the
folder of photos runs on one thread. Times differ between machines; the ratios are what counts.
"""

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from plain_scikit_image import inspect_plainly
from trayvision.accuracy.truth import PhotoTruth, find_photos
from trayvision.camera.camera import Camera
from trayvision.inspection.inspection import Inspection, inspect_photo
from trayvision.photo.photo import load_photo
from trayvision.segmentation.segmentation import classify_pixels

LONG_SIDE_PX = 4000
# Peak memory besides: the largest that is decoded whole, a phone's, and the largest allowed.
SIDES_PX = (3190, LONG_SIDE_PX, 8900)
# Together they give the 4 MB or so that a phone writes at this size.
NOISE_SIGMA = 5.0
JPEG_QUALITY = 95
SAMPLE = Path("sample_images/photos/day4-barley-white-mould-25mm-phone.jpg")
COMMAND = Path(sys.executable).with_name("trayvision")

MOST_DECODES = 1.5
LEAST_PLAIN = 15.0
MOST_MEMORY_MB = 300.0
MOST_HELP_S = 0.3

# A fresh interpreter, since a process started from this one would inherit its peak.
_MEMORY_PROBE = """
import re, sys
from pathlib import Path
import cv2
cv2.setNumThreads(1)
from trayvision.camera.camera import Camera
from trayvision.inspection.inspection import inspect_photo
photo, camera, length, width, depth, day = sys.argv[1:]
inspect_photo(
    photo,
    tray_size=(float(length), float(width), float(depth)),
    camera=Camera.from_json(Path(camera).read_text()),
    day=float(day),
)
print(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text()).group(1))
"""


@dataclass(frozen=True)
class Line:
    """One finding against its goal; `met` is None where there is no goal."""

    what: str
    reached: str
    goal: str = ""
    met: bool | None = None


@dataclass(frozen=True)
class LargePhoto:
    """The enlarged photo on disk, with the camera that fits it."""

    path: Path
    camera: Camera
    truth: PhotoTruth
    size_px: tuple[int, int]


def enlarge(truth: PhotoTruth, folder: Path, long_side_px: int = LONG_SIDE_PX) -> LargePhoto:
    """The photo at 12 megapixels: cubic enlargement, Gaussian noise, saved as JPEG.

    Without the noise the file would hold less than a phone's does, and decode faster.
    """
    small = np.asarray(Image.open(truth.photo).convert("RGB"))
    factor = long_side_px / max(small.shape[:2])
    width, height = round(small.shape[1] * factor), round(small.shape[0] * factor)
    large = np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC))
    rng = np.random.default_rng(12)
    for row in large:
        noise = NOISE_SIGMA * rng.standard_normal(row.shape, dtype=np.float32)
        row[:] = np.clip(row + noise, 0, 255)
    path = folder / f"{long_side_px}.jpg"
    Image.fromarray(large).save(path, quality=JPEG_QUALITY)
    return LargePhoto(path, truth.camera.scaled_to(width, height), truth, (width, height))


def interleaved_s(
    steps: Mapping[str, Callable[[], object]],
    rounds: int,
    *,
    clock: Callable[[], float] = time.process_time,
) -> dict[str, float]:
    """Median time of each step; all take turns, so that a busy machine hits all alike.

    On one thread, the processor's time is the time that the step takes when nothing else runs.
    """
    times: dict[str, list[float]] = {name: [] for name in steps}
    for step in steps.values():
        step()
    for _ in range(rounds):
        for name, step in steps.items():
            start = clock()
            step()
            times[name].append(clock() - start)
    return {name: statistics.median(values) for name, values in times.items()}


def against_decoding(large: LargePhoto, rounds: int) -> list[Line]:
    """The whole inspection in units of a full decode of the same file."""
    data = large.path.read_bytes()
    encoded = np.frombuffer(data, dtype=np.uint8)
    crop = inspect(large).trays[0].segmented.corrected
    medians = interleaved_s(
        {
            "inspection": lambda: inspect(large),
            "Pillow": lambda: Image.open(BytesIO(data)).load(),
            "OpenCV": lambda: cv2.imdecode(encoded, cv2.IMREAD_COLOR),
            "decoding": lambda: load_photo(data),
            "classes": lambda: classify_pixels(crop),
        },
        rounds,
    )
    lines = [Line("inspection", f"{1000 * medians['inspection']:.0f} ms")]
    for decoder in ("Pillow", "OpenCV"):
        ratio = medians["inspection"] / medians[decoder]
        what = f"inspection ÷ full decode by {decoder} ({1000 * medians[decoder]:.0f} ms)"
        goal = f"at most {MOST_DECODES:g}"
        lines.append(Line(what, f"{ratio:.2f}", goal, ratio <= MOST_DECODES))
    for part, what in (
        ("decoding", "of it decoding at half the size, and the file's digest"),
        ("classes", f"of it telling the classes of {crop[..., 0].size / 1e6:.2f} megapixels"),
    ):
        share = medians[part] / medians["inspection"]
        lines.append(Line(what, f"{1000 * medians[part]:.0f} ms, {share:.0%}"))
    return lines


def against_plain(large: LargePhoto, rounds: int) -> list[Line]:
    """The same measures with scikit-image, at the photo's own and at a coarse resolution."""

    def plainly(mm_per_px: float | None) -> object:
        size, camera = large.truth.tray_size, large.camera
        return inspect_plainly(large.path, size=size, camera=camera, mm_per_px=mm_per_px)

    medians = interleaved_s(
        {
            "inspection": lambda: inspect(large),
            "own": lambda: plainly(None),
            "coarse": lambda: plainly(0.5),
        },
        rounds,
    )
    own, coarse = (medians[name] / medians["inspection"] for name in ("own", "coarse"))
    what = f"plain scikit-image ({medians['own']:.2f} s) ÷ inspection"
    return [
        Line(what, f"{own:.1f}", f"at least {LEAST_PLAIN:g}", own >= LEAST_PLAIN),
        Line(f"the same, warped to only 0.5 mm/px ({medians['coarse']:.2f} s)", f"{coarse:.1f}"),
    ]


def inspect(large: LargePhoto) -> Inspection:
    """Inspect as a program would: a path in, the inspection out."""
    size = large.truth.tray_size
    return inspect_photo(
        large.path,
        tray_size=(size.length_mm, size.width_mm, size.depth_mm),
        camera=large.camera,
        day=large.truth.whole_day,
    )


def peak_memory(large: LargePhoto, folder: Path) -> Line:
    """Peak resident memory of a process that only inspects this photo."""
    camera = folder / "camera.json"
    camera.write_text(large.camera.to_json())
    size = large.truth.tray_size
    sides = [f"{side:g}" for side in (size.length_mm, size.width_mm, size.depth_mm)]
    probe = [sys.executable, "-c", _MEMORY_PROBE, str(large.path), str(camera), *sides]
    done = subprocess.run(
        [*probe, str(large.truth.whole_day)], capture_output=True, text=True, check=True
    )
    peak_mb = int(done.stdout) * 1024 / 1e6
    goal = f"below {MOST_MEMORY_MB:g} MB"
    megapixels = large.size_px[0] * large.size_px[1] / 1e6
    what = f"peak memory at {megapixels:.1f} megapixels, all libraries included"
    return Line(what, f"{peak_mb:.0f} MB", goal, peak_mb < MOST_MEMORY_MB)


def help_time(rounds: int) -> Line:
    """Wall time of ``trayvision --help``, process start included."""
    command = [str(COMMAND), "--help"]
    steps = {"help": lambda: subprocess.run(command, capture_output=True, check=True)}
    median = interleaved_s(steps, rounds, clock=time.perf_counter)["help"]
    goal = f"below {MOST_HELP_S:g} s"
    return Line("trayvision --help", f"{median:.2f} s", goal, median < MOST_HELP_S)


def folder_of_photos(large: LargePhoto, folder: Path, *, photos: int) -> list[Line]:
    """Photos a second of the command on a folder, with one process and with all cores."""
    batch = folder / "batch"
    batch.mkdir()
    for number in range(photos):
        shutil.copy(large.path, batch / f"{number:03}.jpg")
    camera = folder / "camera.json"
    cores = len(os.sched_getaffinity(0))
    # Else the one process would use every core as well, for part of its work.
    environment = os.environ | {"OPENCV_FOR_THREADS_NUM": "1"}

    def run(jobs: int) -> None:
        options = ["--camera", str(camera), "--tray-size", str(large.truth.tray_size), "--json"]
        command = [str(COMMAND), "inspect", str(batch), *options, "--jobs", str(jobs)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
        assert len(json.loads(done.stdout)["photos"]) == photos

    steps = {"one": lambda: run(1), "all": lambda: run(cores)}
    medians = interleaved_s(steps, 3, clock=time.perf_counter)
    gain = medians["one"] / medians["all"]
    return [
        Line(f"{photos} photos, one process", f"{photos / medians['one']:.2f} photos/s"),
        Line(f"{photos} photos, {cores} processes", f"{photos / medians['all']:.2f} photos/s"),
        Line(f"gain by {cores} cores, start-up included", f"{gain:.2f} times"),
    ]


def main() -> int:
    """Print every line; status 1 while a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photo", type=Path, default=SAMPLE, help=f"default: {SAMPLE}")
    parser.add_argument("--rounds", type=int, default=11)
    options = parser.parse_args()
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1" or os.environ.get("OMP_NUM_THREADS") != "1":
        parser.error(
            "numeric libraries must be held to one thread before they load: make benchmark"
        )
    cv2.setNumThreads(1)
    truths = [t for t in find_photos(options.photo.parent) if t.photo == options.photo]
    if not truths:
        parser.error(f"--photo must name a photo with a truth file, got {options.photo}")
    with tempfile.TemporaryDirectory() as name:
        large = enlarge(truths[0], Path(name))
        megabytes = large.path.stat().st_size / 1e6
        print(f"{truths[0].photo.name} at {large.size_px} px, {megabytes:.1f} MB JPEG, one thread")
        lines = [
            *against_decoding(large, options.rounds),
            *against_plain(large, 3),
            *(peak_memory(enlarge(truths[0], Path(name), side), Path(name)) for side in SIDES_PX),
            help_time(options.rounds),
            *folder_of_photos(large, Path(name), photos=16),
        ]
    print("\n| what | reached | goal | |\n| --- | --- | --- | --- |")
    for line in lines:
        verdict = "" if line.met is None else "met" if line.met else "**short**"
        print(f"| {line.what} | {line.reached} | {line.goal} | {verdict} |")
    return 0 if all(line.met is not False for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main())
