"""One picture from a stream or a USB camera, in a process of its own that can be ended.

Run as a program: JSON ``{"address": text or number, "seconds": number}`` on standard input (so
that no list of processes shows a password), a JPEG on standard output, else one line of error.
"""

import json
import os
import sys
import time

# Exposure and white balance settle over the first pictures, and a stream's first ones may rest
# on a key picture that was not received.
_SETTLING_FRAMES = 10
_SETTLING_SECONDS = 2.0
_MORE_THAN_ANY_PX = 10_000
_QUALITY = 95
# Any other failure is the interpreter's or a library's, whose words may hold the address.
GAVE_NO_PICTURE = 3


def main() -> int:
    """Read one picture; 0 where it was written."""
    asked = json.load(sys.stdin)
    os.environ["OPENCV_LOG_LEVEL"] = "SILENT"
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    import cv2

    address, limit_ms = asked["address"], int(asked["seconds"] * 1000)
    if isinstance(address, int):
        capture = cv2.VideoCapture(address, cv2.CAP_V4L2)
        # Unasked, a driver gives 640 x 480, in which no tag of a shelf is read; asked for more
        # than it has, its largest. Uncompressed, USB carries that only a few times a second.
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, _MORE_THAN_ANY_PX)
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, _MORE_THAN_ANY_PX)
    else:
        limits = [
            cv2.CAP_PROP_OPEN_TIMEOUT_MSEC,
            limit_ms,
            cv2.CAP_PROP_READ_TIMEOUT_MSEC,
            limit_ms,
        ]
        capture = cv2.VideoCapture(address, cv2.CAP_FFMPEG, limits)
    if not capture.isOpened():
        return _failed("could not be opened")
    frame, until = None, time.monotonic() + _SETTLING_SECONDS
    for _ in range(_SETTLING_FRAMES):
        came, picture = capture.read()
        if not came:
            break
        frame = picture
        if time.monotonic() > until:
            break
    if frame is None:
        return _failed("was opened and gave no picture")
    written, jpeg = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not written:
        return _failed("gave a picture that cannot be kept")
    sys.stdout.buffer.write(jpeg.tobytes())
    return 0


def _failed(why: str) -> int:
    sys.stderr.write(f"{why}\n")
    return GAVE_NO_PICTURE


if __name__ == "__main__":
    sys.exit(main())
