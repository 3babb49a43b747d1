"""Sends one message to one address, through Apprise."""

import logging
import re
import threading
from collections.abc import Callable
from urllib.parse import unquote

# What Apprise says of a failure is collected from its one log.
_ONE_AT_A_TIME = threading.Lock()
_SHORTEST_SECRET = 3
# Mail servers greet strangers late, small machines at home answer slowly; judgement.
_PATIENCE_SECONDS = 30.0
# As Apprise ends its words on an answer of HTTP that it does not take.
_SENT_ON = re.compile(r"error=30[12378]\b")

# As smtplib puts a mail server's refusal, such as of a password; Apprise calls all of them
# connection errors and says this only beside.
_MAIL_REPLY = re.compile(r"\((\d{3}), b['\"](.*?)['\"][,)]")

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

    # A message that is sent on becomes a question for a page, whose "200 OK" says nothing of it.
    asset = apprise.AppriseAsset(http_redirects=False)
    receiver = apprise.Apprise.instantiate(address, asset=asset)
    if receiver is None:
        return "the address is not one that Apprise knows"
    for limit in ("socket_connect_timeout", "socket_read_timeout"):
        # What was taken after the limit would count as not taken, and be sent again and again.
        setattr(receiver, limit, max(getattr(receiver, limit), _PATIENCE_SECONDS))
    target = apprise.Apprise(asset=asset)
    target.add(receiver)
    with (
        _ONE_AT_A_TIME,
        apprise.LogCapture(level=logging.WARNING, fmt="%(message)s") as said,  # type: ignore[no-untyped-call]
        apprise.LogCapture(level=logging.DEBUG, fmt="%(message)s") as beside,  # type: ignore[no-untyped-call]
    ):
        sent = target.notify(body=text, title=title, body_format=apprise.NotifyFormat.TEXT)
        words, reply = said.getvalue(), _MAIL_REPLY.search(beside.getvalue())
    if sent:
        return None
    if reply is not None:
        # An answer of several lines comes with its line ends written out.
        words = f"The mail server answered {reply[1]} {reply[2]}".replace("\\n", " ")
    if _SENT_ON.search(words):
        words += " It sends on to another address: enter that one, if it is yours."
    return without_secrets(words, address) or "it was not taken"


def without_secrets(words: str, address: str) -> str:
    """Words on a failure with every part of an address masked, but for its scheme."""
    rest = address.partition("://")[2]
    parts = {part for part in re.split(r"[:/@?&=,;]", rest) if len(part) > _SHORTEST_SECRET}
    masked = " ".join(words.split())
    for part in sorted(parts | {unquote(part) for part in parts}, key=len, reverse=True):
        masked = masked.replace(part, "***")
    return masked[:300]
