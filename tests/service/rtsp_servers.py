"""RTSP cameras on this machine: RTSP 1.0 (RFC 2326) with RTP over the same TCP connection."""

import base64
import hashlib
import re
import socket
import struct
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from tests.service.picture_servers import NAME, PASSWORD

# 36 pictures of 320 x 240 of the blocks of `jpeg(4)`, the first six darker: from a tenth of the
# light on, 15 hundredths more each. A key picture in 12, two that need later ones in between.
# Encoded by x264 in FFmpeg 5.1: -profile:v high -preset slow -bf 2 -g 12 -keyint_min 12
# -sc_threshold 0 -crf 20 -pix_fmt yuv420p -bsf:v filter_units=remove_types=6 -f h264.
H264_STREAM = Path(__file__).with_name("shelf.h264")
_MOST_PAYLOAD = 1200
_NONCE = "abc"


@dataclass(frozen=True)
class Stream:
    """What an RTSP camera sends.

    Parameters
    ----------
    media : str
        The lines of its SDP that tell the payload, from ``m=`` on.
    payload_type : int
    pictures : iterable of list of bytes
        The RTP payloads of each picture.
    """

    media: str
    payload_type: int
    pictures: Iterable[list[bytes]]


def jpeg_stream(picture: bytes) -> Stream:
    """One JPEG again and again (RFC 2435)."""
    tables, scan, width, height = _jpeg_parts(picture)
    quantization = b"\x00\x00" + struct.pack(">H", len(tables)) + tables
    payloads = []
    for offset in range(0, len(scan), _MOST_PAYLOAD):
        head = struct.pack(">I", offset) + bytes([1, 255, width // 8, height // 8])
        part = scan[offset : offset + _MOST_PAYLOAD]
        payloads.append(head + (quantization if offset == 0 else b"") + part)
    return Stream("m=video 0 RTP/AVP 26\r\n", 26, [payloads] * 500)


def h264_stream(*, first: int = 0) -> Stream:
    """The pictures of `H264_STREAM` from one on, as they are sent (RFC 6184, mode 1)."""
    units = [unit for unit in re.split(rb"\x00*\x00\x00\x01", H264_STREAM.read_bytes()) if unit]
    pictures: list[list[bytes]] = [[]]
    for unit in units:
        pictures[-1] += _fragments(unit)
        if unit[0] & 31 in (1, 5):
            pictures.append([])
    sets = ",".join(base64.b64encode(unit).decode() for unit in units[:2])
    media = (
        "m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\n"
        f"a=fmtp:96 packetization-mode=1;sprop-parameter-sets={sets}\r\n"
    )
    return Stream(media, 96, pictures[first:-1])


def _fragments(unit: bytes) -> list[bytes]:
    """A unit in one payload, or in fragments (FU-A) where it is too long for one."""
    if len(unit) <= _MOST_PAYLOAD:
        return [unit]
    parts = [unit[at : at + _MOST_PAYLOAD] for at in range(1, len(unit), _MOST_PAYLOAD)]
    indicator, kind = unit[0] & 0xE0 | 28, unit[0] & 31
    ends = [0x80, *[0] * (len(parts) - 2), 0x40]
    return [bytes([indicator, end | kind]) + part for end, part in zip(ends, parts, strict=True)]


@contextmanager
def rtsp_camera(stream: Stream, *, asks_login: bool = False) -> Iterator[str]:
    """A camera at the address that this gives; with `asks_login` by RTSP's digest."""
    listening = socket.create_server(("127.0.0.1", 0))
    stopped = threading.Event()
    address = f"rtsp://127.0.0.1:{listening.getsockname()[1]}/shelf"

    def serve() -> None:
        listening.settimeout(0.1)
        while not stopped.is_set():
            with suppress(TimeoutError):
                connection, _ = listening.accept()
                with connection, suppress(ConnectionError, TimeoutError):
                    connection.settimeout(5)
                    _speak_rtsp(connection, stream, stopped, asks_login=asks_login)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield address
    finally:
        stopped.set()
        thread.join()
        listening.close()


def _speak_rtsp(
    connection: socket.socket, stream: Stream, stopped: threading.Event, *, asks_login: bool
) -> None:
    sdp = (
        "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=shelf\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\n"
        f"{stream.media}a=control:video\r\n"
    )
    answers = {
        "OPTIONS": ("Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN\r\n", ""),
        "DESCRIBE": (f"Content-Type: application/sdp\r\nContent-Length: {len(sdp)}\r\n", sdp),
        "SETUP": ("Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\nSession: 7\r\n", ""),
        "PLAY": ("Session: 7\r\n", ""),
    }
    for method, fields in _requests(connection):
        number = f"CSeq: {fields['cseq']}\r\n"
        if asks_login and method == "DESCRIBE" and not _knows_password(fields):
            ask = f'WWW-Authenticate: Digest realm="camera", nonce="{_NONCE}"\r\n'
            connection.sendall(f"RTSP/1.0 401 Unauthorized\r\n{number}{ask}\r\n".encode())
            continue
        more, body = answers.get(method, ("", ""))
        connection.sendall(f"RTSP/1.0 200 OK\r\n{number}{more}\r\n{body}".encode())
        if method == "PLAY":
            for packet in _rtp_packets(stream, stopped):
                connection.sendall(b"$\x00" + struct.pack(">H", len(packet)) + packet)
            return


def _requests(connection: socket.socket) -> Iterator[tuple[str, dict[str, str]]]:
    """The method and the header fields of each request until the other side goes."""
    asked = b""
    while True:
        while b"\r\n\r\n" not in asked:
            came = connection.recv(4096)
            if not came:
                return
            asked += came
        head, _, asked = asked.partition(b"\r\n\r\n")
        first, *lines = head.decode().split("\r\n")
        fields = [line.partition(": ") for line in lines]
        yield first.split()[0], {name.lower(): value for name, _, value in fields}


def _knows_password(fields: dict[str, str]) -> bool:
    """RFC 2617, section 3.2.2.1, without qop: what cameras ask for over RTSP."""

    def digest(text: str) -> str:
        return hashlib.md5(text.encode()).hexdigest()

    got = dict(re.findall(r'(\w+)="([^"]*)"', fields.get("authorization", "")))
    asked = digest(f"DESCRIBE:{got.get('uri')}")
    expected = digest(f"{digest(f'{NAME}:camera:{PASSWORD}')}:{_NONCE}:{asked}")
    return got.get("response") == expected


def _rtp_packets(stream: Stream, stopped: threading.Event) -> Iterator[bytes]:
    number = count()
    for moment, payloads in enumerate(stream.pictures):
        for payload in payloads:
            marker = 0x80 if payload is payloads[-1] else 0
            yield (
                struct.pack(
                    ">BBHII", 0x80, stream.payload_type | marker, next(number), moment * 3600, 9
                )
                + payload
            )
        if stopped.wait(0.04):
            return
    stopped.wait(30)


def _jpeg_parts(picture: bytes) -> tuple[bytes, bytes, int, int]:
    """Quantization tables, entropy-coded scan, width and height of a baseline JPEG."""
    tables, width, height, at = b"", 0, 0, 2
    while True:
        marker, length = picture[at + 1], int.from_bytes(picture[at + 2 : at + 4], "big")
        segment = picture[at + 4 : at + 2 + length]
        if marker == 0xDB:
            tables += b"".join(segment[i + 1 : i + 65] for i in range(0, len(segment), 65))
        elif marker == 0xC0:
            height, width = struct.unpack(">HH", segment[1:5])
        at += 2 + length
        if marker == 0xDA:
            return tables, picture[at:-2], width, height
