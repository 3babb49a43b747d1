"""Whether a picture's bytes are all there, told from its format's own marks, without decoding."""

from trayvision.photo.photo import picture_type

_SOI, _EOI = b"\xff\xd8", b"\xff\xd9"
# Markers without a segment of their own: stuffing, restarts, TEM.
_BARE = {0x00, 0x01, *range(0xD0, 0xD8)}
_PNG_END = b"IEND\xaeB\x60\x82"


def is_whole(content: bytes) -> bool:
    """Whether a picture ends as its format says; of formats without such a mark, always.

    JPEG (ITU-T T.81, annex B): segments by their lengths, then scans up to the EOI marker. PNG:
    the IEND chunk. WebP: the length of its RIFF chunk.
    """
    kind = picture_type(content)
    if kind == "image/jpeg":
        return _jpeg_end(content) is not None
    if kind == "image/png":
        return _PNG_END in content[-64:]
    if kind == "image/webp":
        return len(content) >= int.from_bytes(content[4:8], "little") + 8
    return kind is not None


def _jpeg_end(content: bytes) -> int | None:
    """Where the picture ends, None where its end is missing."""
    at = len(_SOI)
    while True:
        at = content.find(b"\xff", at)
        if at < 0 or at + 1 >= len(content):
            return None
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker in _BARE:
            at += 2
        elif marker == _EOI[1]:
            return at + 2
        else:
            length = int.from_bytes(content[at + 2 : at + 4], "big")
            if length < 2 or at + 2 + length > len(content):
                return None
            at += 2 + length
