"""How long a phone waits for what its photo says: a photo of 12 megapixels, from the page's script.

Usage: python -m tests.benchmarks.benchmark_snap [--photos 8]

The service runs as it is served, on this machine, with one process that measures; a real browser
of a phone's size opens Snap and takes the photos one after the other. Times are the wall clock's,
from the moment in which the camera hands the photo over until its result and its picture are
shown; the phone's own making of the photo and the way through the air are not in them.
"""

import argparse
import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from tests.pages.conftest import PHONE, chromium

_PHOTO = Path("sample_images/photos/day4-barley-white-mould-25mm-phone.jpg")
_LONG_SIDE_PX = 4000
# Together they give the 4 MB or so that a phone writes, and each photo its own bytes.
_NOISE_SIGMA = 5.0
_QUALITY = 95
# After that a service that was just started has prepared what measures photos.
_SETTLED_SECONDS = 10.0
_LONGEST_MS = 120_000.0
_SHOWN = """count => {
  const said = document.querySelectorAll("#results .said");
  const picture = document.querySelector("#results li:first-child img:not(.thumb)");
  return said.length === count && picture?.complete && picture.naturalWidth > 0;
}"""


def photo(folder: Path, number: int) -> Path:
    """The sample photo at a phone's size; each number gives another file."""
    with Image.open(_PHOTO) as sample:
        exif = sample.getexif()
        width, height = (side * _LONG_SIDE_PX // max(sample.size) for side in sample.size)
        resized = sample.convert("RGB").resize((width, height), Image.Resampling.BICUBIC)
    large = np.asarray(resized)
    rng = np.random.default_rng(number)
    noise = _NOISE_SIGMA * rng.standard_normal(large.shape, dtype=np.float32)
    path = folder / f"{number}.jpg"
    pixels = np.clip(large + noise, 0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(path, quality=_QUALITY, exif=exif)
    return path


def _tray_size() -> str:
    """Of the tray on the photo, as its truth file tells."""
    tray = json.loads(_PHOTO.with_suffix(".json").read_text(encoding="utf-8"))["tray"]
    return "x".join(f"{tray[side]:g}" for side in ("length", "width", "depth"))


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The service over a new room; gives its address."""
    process = subprocess.Popen(
        [Path(sys.executable).with_name("trayvision"), "serve", "--data", folder, "--port", "0"],
        env={**os.environ, "TRAYVISION_TRAY_SIZE": _tray_size()},
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    assert process.stderr is not None
    try:
        for line in process.stderr:
            address = re.search(r"running on (http://[\d.:]+)", line)
            if address is not None:
                break
        else:
            raise RuntimeError("the service did not start")
        yield address[1]
    finally:
        process.terminate()
        process.wait()
        process.stderr.close()


def snap(page: Page, taken: Path, count: int) -> float:
    """Seconds until the result of a photo is shown, as the `count`-th on the page."""
    camera = page.get_by_label("Open the camera")
    began = time.perf_counter()
    camera.set_input_files(taken)
    page.wait_for_function(_SHOWN, arg=count, timeout=_LONGEST_MS)
    took = time.perf_counter() - began
    said = page.locator("#results .said").first.inner_text()
    if not said.startswith("Tray "):
        raise RuntimeError(f"the photo must be measured, but its result says: {said}")
    return took


@contextmanager
def opened(browser: Browser, address: str) -> Iterator[Page]:
    """Snap on a phone."""
    context = browser.new_context(
        base_url=address, viewport={"width": PHONE["width"], "height": PHONE["height"]}
    )
    page = context.new_page()
    page.goto("/snap")
    page.locator("#snap.scripted").wait_for()
    yield page
    context.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=8)
    options = parser.parse_args()
    with TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        first, *others = [photo(folder, number) for number in range(options.photos)]
        megabytes = first.stat().st_size / 1e6
        print(f"photos of {megabytes:.1f} MB; load of the machine before: {os.getloadavg()[0]:.1f}")
        with (
            chromium(playwright) as browser,
            served(folder / "hurried") as address,
            opened(browser, address) as page,
        ):
            print(f"first, as soon as the service answers: {snap(page, first, 1):.2f} s")
        with (
            chromium(playwright) as browser,
            served(folder / "room") as address,
            opened(browser, address) as page,
        ):
            time.sleep(_SETTLED_SECONDS)
            print(f"first, {_SETTLED_SECONDS:.0f} s after: {snap(page, first, 1):.2f} s")
            times = [snap(page, taken, count) for count, taken in enumerate(others, start=2)]
    print(f"{len(times)} others: median {median(times):.2f} s, longest {max(times):.2f} s")
    print(f"load of the machine after: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
