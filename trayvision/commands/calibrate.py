"""``trayvision calibrate``: photos of the ChArUco sheet in, CAMERA.json out."""

import argparse
import sys
from pathlib import Path

from trayvision.camera.calibration import calibrate
from trayvision.photo.photo import load_photo
from trayvision.quality_flags import PhotoProblem

CANNOT_MEASURE = 3


def run_calibrate(options: argparse.Namespace) -> int:
    """Measure a camera and write it; returns 0, or 3 when the photos do not allow it.

    A photo that cannot be read, or shows too little of the sheet, is named and left out.

    Raises
    ------
    ValueError
        If there are too few photos, their sizes differ, or ``--out`` cannot be written.
    """
    photos = []
    for name in options.photos:
        try:
            photos.append(load_photo(name))
        except PhotoProblem as problem:
            print(problem, file=sys.stderr)
    try:
        found = calibrate(photos)
    except PhotoProblem as problem:
        print(f"trayvision calibrate: {problem}", file=sys.stderr)
        return CANNOT_MEASURE
    for name in found.unread:
        print(f"{name}: too little of the sheet was found; left out", file=sys.stderr)
    try:
        Path(options.out).write_text(found.camera.to_json() + "\n", encoding="utf-8")
    except OSError as error:
        raise ValueError(f"--out {options.out} cannot be written ({error.strerror})") from error
    print(f"{options.out}: {found.views} photos, reprojection error {found.rms_px:.2f} px rms")
    return 0
