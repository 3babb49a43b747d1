"""Cameras on this machine: snapshots over HTTP with all that goes wrong, MJPEG streams."""

import base64
import hashlib
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from io import BytesIO
from typing import Any

import numpy as np
from PIL import Image

NAME, PASSWORD = "worker", "p:ss@word"


def jpeg(seed: int = 1, *, size: tuple[int, int] = (320, 240), level: int | None = None) -> bytes:
    """A picture of its own for each seed, or of one grey level; with the tables of RFC 2435."""
    rng = np.random.default_rng(seed)
    shape = (size[1] // 16, size[0] // 16, 3)
    pixels = rng.integers(0, 256, shape, np.uint8) if level is None else np.full(shape, level)
    image = Image.fromarray(pixels.astype(np.uint8)).resize(size, Image.Resampling.NEAREST)
    file = BytesIO()
    image.save(file, "JPEG", quality=90, subsampling="4:2:0")
    return file.getvalue()


@dataclass
class HttpCamera:
    """What a test's HTTP camera answers, and what it was asked."""

    answer: Callable[[BaseHTTPRequestHandler], None]
    port: int = 0
    asked: list[str | None] = field(default_factory=list)
    stopped: threading.Event = field(default_factory=threading.Event)

    def address(self, login: str = "", path: str = "/snapshot.jpg") -> str:
        return f"http://{login}127.0.0.1:{self.port}{path}"


@contextmanager
def http_camera(answer: Callable[[BaseHTTPRequestHandler], None]) -> Iterator[HttpCamera]:
    camera = HttpCamera(answer)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.0"
        stopped = camera.stopped

        def do_GET(self) -> None:
            camera.asked.append(self.headers.get("Authorization"))
            with suppress(ConnectionError):
                camera.answer(self)

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = False
    camera.port = server.server_port
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield camera
    finally:
        camera.stopped.set()
        server.shutdown()
        thread.join()
        server.server_close()


def sends(content: bytes, kind: str = "image/jpeg", status: int = 200) -> Any:
    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        handler.send_header("Content-Type", kind)
        handler.end_headers()
        handler.wfile.write(content)

    return answer


def hangs(before: bytes = b"") -> Any:
    """Sends the beginning of an answer and then nothing, as long as the test runs."""

    def answer(handler: Any) -> None:
        if before:
            handler.send_response(200)
            handler.end_headers()
            handler.wfile.write(before)
        handler.stopped.wait(20)

    return answer


def trickles(content: bytes) -> Any:
    """A byte every twentieth of a second: each read is quick, the whole never comes."""

    def answer(handler: Any) -> None:
        handler.send_response(200)
        handler.end_headers()
        for at in range(len(content)):
            handler.wfile.write(content[at : at + 1])
            handler.wfile.flush()
            if handler.stopped.wait(0.05):
                return

    return answer


def asks_basic(content: bytes) -> Any:
    wanted = "Basic " + base64.b64encode(f"{NAME}:{PASSWORD}".encode()).decode()

    def answer(handler: BaseHTTPRequestHandler) -> None:
        if handler.headers.get("Authorization") == wanted:
            sends(content)(handler)
            return
        handler.send_response(401)
        handler.send_header("WWW-Authenticate", 'Basic realm="camera"')
        handler.end_headers()

    return answer


def asks_digest(content: bytes) -> Any:
    """HTTP Digest as RFC 7616, section 3.4, with MD5 and qop=auth, which cameras have."""

    def digest(text: str) -> str:
        return hashlib.md5(text.encode()).hexdigest()

    def answer(handler: BaseHTTPRequestHandler) -> None:
        said = handler.headers.get("Authorization", "")
        if said.startswith("Digest "):
            parts = [part.strip().partition("=") for part in said[7:].split(",")]
            got = {name: value.strip('"') for name, _, value in parts}
            secret = digest(f"{NAME}:camera:{PASSWORD}")
            asked = digest(f"GET:{handler.path}")
            joined = ":".join((secret, "abc", got["nc"], got["cnonce"], "auth", asked))
            if got["response"] == digest(joined):
                sends(content)(handler)
                return
        handler.send_response(401)
        handler.send_header(
            "WWW-Authenticate", 'Digest realm="camera", nonce="abc", qop="auth", algorithm=MD5'
        )
        handler.end_headers()

    return answer


def streams_mjpeg(pictures: list[bytes], *, then_hangs: bool = False) -> Any:
    """Motion JPEG as multipart/x-mixed-replace."""

    def answer(handler: Any) -> None:
        handler.send_response(200)
        handler.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
        handler.end_headers()
        for number in range(1 if then_hangs else 500):
            content = pictures[number % len(pictures)]
            head = f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(content)}\r\n\r\n"
            handler.wfile.write(head.encode() + content + b"\r\n")
            if handler.stopped.wait(0.02):
                return
        handler.stopped.wait(30)

    return answer
