"""``trayvision kit``: from what was typed to the printed reference kit."""

import re
from argparse import Namespace

from trayvision.kit.sheets import DEFAULT_LENS_ANGLE_DEG, DEFAULT_SHELF_PITCH_MM, write_kit
from trayvision.kit.shelf_camera import ShelfCamera
from trayvision.reference_kit import TraySize

LEVEL_WORDS = {
    0: "one strip, carried from tray to tray",
    1: "level 1, bar A on every tray",
    2: "level 2, bar B as well",
    3: "level 3, a strip on every tray",
}
_RUN = re.compile(r"\s*(\d{1,3})\s*(?:[-–]\s*(\d{1,3})\s*)?")


def run_kit(options: Namespace) -> int:
    """Write the kit's PDF and say what is on which page; returns the exit status 0.

    Raises
    ------
    ValueError
        If an option breaks its rule, or the file cannot be written.
    """
    camera = ShelfCamera.under_shelf(
        DEFAULT_SHELF_PITCH_MM if options.shelf_pitch is None else options.shelf_pitch,
        DEFAULT_LENS_ANGLE_DEG if options.lens_angle is None else options.lens_angle,
    )
    try:
        sections = write_kit(
            options.out,
            trays=parse_tray_numbers(options.trays),
            size=TraySize.typed(options.tray_size),
            paper=options.paper,
            camera=camera,
        )
    except OSError as error:
        raise ValueError(f"--out {options.out} cannot be written ({error.strerror})") from error
    print(f"{options.out}: guide on pages 1 to 2, calibration sheet on page 3")
    for section in sections:
        one = section.sheets == 1
        pages = f"pages {section.first_page} to {section.last_page}"
        extent = (
            f"1 sheet, page {section.first_page}" if one else f"{section.sheets} sheets, {pages}"
        )
        print(f"  {LEVEL_WORDS[section.level]}: {extent}")
    print("Print at 100 % (actual size) and measure the 100 mm bar at the foot of each page.")
    return 0


def parse_tray_numbers(text: str) -> tuple[int, ...]:
    """Tray numbers from ``"0-11"`` or ``"0-3, 7"``, in the order given.

    Raises
    ------
    ValueError
        If a part is neither a number nor a range that counts up.
    """
    numbers: list[int] = []
    for part in text.split(","):
        match = _RUN.fullmatch(part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if first > last:
            raise ValueError(f"trays must be numbers and ranges such as 0-11,14, got {text!r}")
        numbers.extend(range(first, last + 1))
    return tuple(numbers)
