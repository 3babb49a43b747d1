"""Takes the README's pictures of pages: the demonstration's room, opened on a phone.

Usage: python -m tests.pages.take_pictures FOLDER

FOLDER is a room that `trayvision demo --data FOLDER --no-serve` played.
"""

import argparse
import threading
from io import BytesIO
from pathlib import Path

import uvicorn
from PIL import Image
from playwright.sync_api import sync_playwright

from service.app import create_app
from service.demo.demo import DemoClock, demo_settings
from service.demo.demo_room import SampleRun
from service.demo_command import SAMPLE_RUN
from tests.pages.conftest import chromium

OUT = Path(__file__).parents[2] / "sample_images" / "pages"
# Address, and what to scroll to.
PICTURES = {
    "now": ("/", None),
    "photo": ("/photos/50", None),
    "growth": ("/trays/13", "Height"),
}


def main() -> None:
    """Serve the room for as long as the pictures take."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder: Path = parser.parse_args().folder
    sample = SampleRun.read(SAMPLE_RUN)
    clock = DemoClock(sample.photos[-1].taken_at)
    app = create_app(demo_settings(folder, sample), clock=clock)
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="warning"))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        threading.Event().wait(0.05)
    try:
        _take(f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}")
    finally:
        server.should_exit = True
        thread.join()


def _take(address: str) -> None:
    OUT.mkdir(exist_ok=True)
    with sync_playwright() as playwright, chromium(playwright) as browser:
        for name, (path, heading) in PICTURES.items():
            context = browser.new_context(
                viewport={"width": 390, "height": 780}, has_touch=True, is_mobile=True
            )
            page = context.new_page()
            page.goto(address + path)
            if heading is not None:
                page.get_by_role("heading", name=heading, exact=True).evaluate(
                    "heading => heading.scrollIntoView()"
                )
            page.wait_for_load_state("networkidle")
            with Image.open(BytesIO(page.screenshot())) as picture:
                picture.convert("RGB").save(OUT / f"{name}.webp", quality=82)
            context.close()


if __name__ == "__main__":
    main()
