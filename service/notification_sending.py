"""Sends one message to one address, through Apprise."""

import logging
import re
import threading
from collections.abc import Callable
from urllib.parse import unquote

# What Apprise says of a failure is collected from its one log.
_ONE_AT_A_TIME = threading.Lock()
_SHORTEST_SECRET = 3

# Address, title and text; None where it was sent, else why not, without what is secret.
Sender = Callable[[str, str, str], str | None]


def is_known_address(address: str) -> bool:
    """Whether an address is one that can be sent to."""
    from apprise import Apprise

    try:
        return Apprise.instantiate(address) is not None
    except (TypeError, ValueError):
        return False


def send_by_apprise(address: str, title: str, text: str) -> str | None:
    """Send one message; None where it was taken, else why not."""
    import apprise

    target = apprise.Apprise()
    if not target.add(address):
        return "the address is not one that Apprise knows"
    with (
        _ONE_AT_A_TIME,
        apprise.LogCapture(level=logging.WARNING, fmt="%(message)s") as said,  # type: ignore[no-untyped-call]
    ):
        sent = target.notify(body=text, title=title, body_format=apprise.NotifyFormat.TEXT)
        words = said.getvalue()
    if sent:
        return None
    return without_secrets(words, address) or "it was not taken"


def without_secrets(words: str, address: str) -> str:
    """Words on a failure with every part of an address masked, but for its scheme."""
    rest = address.partition("://")[2]
    parts = {part for part in re.split(r"[:/@?&=,;]", rest) if len(part) > _SHORTEST_SECRET}
    masked = " ".join(words.split())
    for part in sorted(parts | {unquote(part) for part in parts}, key=len, reverse=True):
        masked = masked.replace(part, "***")
    return masked[:300]
