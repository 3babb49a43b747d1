"""Write the ``room.toml`` of a folder of photos from their truth files.

    python sample_images/room_file.py sample_images/photos

so that a folder of photos of unlike trays is measured by one plain ``trayvision inspect``.
"""

import json
import sys
from pathlib import Path

from trayvision.room_settings import ROOM_FILE, RoomSettings

SPREAD_AT = "2026-03-02T07:00:00+01:00"


def room_file(folder: Path) -> str:
    """The settings of all photos in `folder` that have a truth file beside them."""
    lines = ["# Written by room_file.py from the truth files.", f"spread_at = {SPREAD_AT}"]
    for path in sorted(folder.glob("*.jpg")):
        tray = json.loads(path.with_suffix(".json").read_text())["tray"]
        size = "x".join(f"{tray[side]:g}" for side in ("length", "width", "depth"))
        lines += ["", f'[photos."{path.name}"]', f'tray_size = "{size}"']
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the file into each folder that is named."""
    for name in sys.argv[1:]:
        path = Path(name) / ROOM_FILE
        path.write_text(room_file(Path(name)), encoding="utf-8")
        RoomSettings.read(path)
        print(path)


if __name__ == "__main__":
    main()
