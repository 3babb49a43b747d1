"""A mail server and a webhook's receiver on this machine, and what they got."""

import asyncio
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

NAME, PASSWORD = "shed@farm.example", "hush hush"


@dataclass
class MailServer:
    """What a test's mail server got; `refusal` is what it answers to every message instead."""

    port: int = 0
    mails: list[EmailMessage] = field(default_factory=list)
    receivers: list[list[str]] = field(default_factory=list)
    logins: list[str] = field(default_factory=list)
    refusal: str = ""

    async def handle_DATA(  # noqa: N802
        self, _server: SMTP, _session: Session, envelope: Envelope
    ) -> str:
        if self.refusal:
            return self.refusal
        assert isinstance(envelope.content, bytes)
        mail = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        self.receivers.append(list(envelope.rcpt_tos))
        return "250 taken"

    def authenticate(
        self, _server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: Any
    ) -> AuthResult:
        assert isinstance(data, LoginPassword)
        self.logins.append(data.login.decode())
        # Not "handled": the server itself is to answer 535 to a wrong one.
        return AuthResult(success=data.password.decode() == PASSWORD, handled=False)

    def address(self, login: str = "") -> str:
        return (
            f"mailto://{login}127.0.0.1:{self.port}/?mode=insecure"
            "&from=shed@farm.example&to=grower@farm.example"
        )


@contextmanager
def mail_server(*, asks_login: bool = False) -> Iterator[MailServer]:
    """aiosmtpd's server in a thread of its own."""
    mails, loop = MailServer(), asyncio.new_event_loop()

    protocols: list[SMTP] = []

    def protocol() -> SMTP:
        one = SMTP(
            mails,
            hostname="mail.example",
            auth_required=asks_login,
            auth_require_tls=False,
            authenticator=mails.authenticate if asks_login else None,
            loop=loop,
        )
        protocols.append(one)
        return one

    server = loop.run_until_complete(loop.create_server(protocol, "127.0.0.1", 0))
    mails.port = server.sockets[0].getsockname()[1]
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield mails
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        server.close()
        loop.run_until_complete(_ended(protocols))
        loop.run_until_complete(server.wait_closed())
        loop.close()


async def _ended(protocols: list[SMTP]) -> None:
    """Close what a client left open."""
    for one in protocols:
        if one.transport is not None:
            one.transport.close()
    for _ in range(5):
        await asyncio.sleep(0)
    left = asyncio.all_tasks() - {asyncio.current_task()}
    for task in left:
        task.cancel()
    await asyncio.gather(*left, return_exceptions=True)


@dataclass
class Webhook:
    """What a test's webhook got, and what it answers."""

    port: int = 0
    got: list[dict[str, Any]] = field(default_factory=list)
    status: int = 200

    def address(self) -> str:
        return f"json://127.0.0.1:{self.port}/hooks/secret-token-77"


@contextmanager
def webhook() -> Iterator[Webhook]:
    hook = Webhook()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if hook.status == 200:
                hook.got.append(json.loads(body) | {"path": self.path})
            self.send_response(hook.status)
            if hook.status == 302:
                self.send_header("Location", "/log-in")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    hook.port = server.server_port
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield hook
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
