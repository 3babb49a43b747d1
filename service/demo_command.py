"""``trayvision demo``: the sample run played into an invented room, then served."""

import argparse
import sys
from datetime import timedelta
from pathlib import Path
from typing import Final

from tqdm import tqdm

from service.demo.demo import DemoClock, DemoDay, demo_settings, fresh_folder, play
from service.demo.demo_room import FARM, SampleRun
from service.free_port import free_port
from service.log.file_lock import served_once
from service.log.refusals import Conflict
from service.models.flags import FlagOut
from service.settings import Settings
from trayvision.attention.flags import trays_words

SAMPLE_RUN: Final = Path(__file__).resolve().parents[1] / "sample_images" / "run"
_FOLDER: Final = Path("out/demo/room")
_HOST: Final = "127.0.0.1"
_SIGNS: Final = {"hold": "■", "look": "○", "note": "·"}


def add_demo(parser: argparse.ArgumentParser) -> None:
    """Give the options of the command to its parser."""
    parser.add_argument(
        "--data",
        metavar="DIR",
        default=str(_FOLDER),
        help=f"folder of the invented room, made anew each time; default {_FOLDER}",
    )
    parser.add_argument("--port", type=int, metavar="N", help="port to listen on afterwards")
    parser.add_argument("--no-serve", action="store_true", help="play and tell, do not serve")


def run_demo(options: argparse.Namespace) -> int:
    """Play, tell, serve; returns the exit status.

    Raises
    ------
    ValueError
        If the folder holds anything but an earlier demonstration, or one that is at work, the
        port to listen on afterwards cannot be had, or there is no sample run.
    """
    sample = SampleRun.read(SAMPLE_RUN)
    folder = Path(options.data)
    settings = demo_settings(folder, sample)
    asked = settings.port if options.port is None else options.port
    # Before the demonstration that lies there is removed, and minutes are played.
    port = None if options.no_serve else free_port(_HOST, asked)
    try:
        fresh_folder(folder)
        with served_once(folder):
            return _play_and_serve(settings, sample, port)
    except Conflict as conflict:
        raise ValueError(str(conflict)) from conflict


def _play_and_serve(settings: Settings, sample: SampleRun, port: int | None) -> int:
    clock = DemoClock(sample.spread_at)
    print(f"{FARM}: {len(sample.trays)} trays, photos of {_days(sample)} days.")
    print("The trays are rendered; farm, air and water are invented.")
    with tqdm(total=len(sample.photos), unit="photo", disable=None, leave=False) as progress:
        for day in play(settings, sample, clock=clock, after_photo=progress.update):
            progress.write(day_words(day), file=sys.stdout)
    print(f"\nLog and photos: {settings.data.resolve()}")
    if port is not None:
        _serve(settings, clock, port)
    return 0


def day_words(day: DemoDay) -> str:
    """What a day brought, as it is printed."""
    lines = [f"\nDay {day.day}, {day.date:%a} {day.date.day} {day.date:%b}"]
    for flag in day.noticed:
        sure = flag.evidence.get("confidence_words")
        lines.append(f"  {_SIGNS[flag.level or 'note']} {flag.level}: {flag.reason}")
        lines.append(f"      {f'{sure}. ' if sure else ''}{flag.look}")
    lines += [f"    no longer: {flag.reason}" for flag in day.gone]
    if day.standing:
        lines.append(f"    still open: {'; '.join(map(_short, day.standing))}")
    if len(lines) == 1:
        lines.append("    nothing to look at")
    return "\n".join(lines)


def _short(flag: FlagOut) -> str:
    where = f", {trays_words(flag.trays)}" if flag.trays else ""
    return f"{flag.level} {flag.kind}{where}"


def _days(sample: SampleRun) -> int:
    first, last = sample.photos[0].taken_at, sample.photos[-1].taken_at
    return (last.date() - first.date()) // timedelta(days=1) + 1


def _serve(settings: Settings, clock: DemoClock, port: int) -> None:
    import uvicorn

    from service.app import create_app

    clock.run_on()
    app = create_app(settings, clock=clock)
    print(f"The room's clock runs on from {clock():%Y-%m-%d %H:%M} UTC.")
    print(f"Open http://{_HOST}:{port}/ in a browser; stop with Ctrl+C.")
    uvicorn.run(app, host=_HOST, port=port, log_level="warning", proxy_headers=False)
