"""Where a request comes from: this machine, and this service's own pages or foreign ones."""

from ipaddress import IPv6Address, ip_address
from urllib.parse import urlsplit

from starlette.requests import HTTPConnection

_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_SAID_BY_PROXIES = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")


def is_loopback(host: str) -> bool:
    """Whether a name or address can only mean this machine."""
    if host == "localhost":
        return True
    try:
        address = ip_address(host)
    except ValueError:
        return False
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return address.ipv4_mapped.is_loopback
    return address.is_loopback


def from_this_machine(request: HTTPConnection) -> bool:
    """Whether a request was sent on this machine and for it.

    The name that was asked for must be this machine's too: a foreign page whose own name was made
    to lead here (DNS rebinding) would else be let in by the browser. What came through a proxy
    came from somewhere else.
    """
    if request.client is None or not is_loopback(request.client.host):
        return False
    if any(name in request.headers for name in _SAID_BY_PROXIES):
        return False
    return is_loopback(_host_of(request.headers.get("host", "")))


def is_forged(request: HTTPConnection, *, must_say: bool) -> bool:
    """Whether a foreign page may have made a browser send this request.

    Browsers say where a request comes from: in Sec-Fetch-Site (Fetch Metadata, W3C), or where the
    connection is not trustworthy in Origin (RFC 6454; sent with every unsafe request).

    Parameters
    ----------
    request : HTTPConnection
    must_say : bool
        Whether a request with neither is taken for forged too; else it is taken for a program's.
    """
    if request.scope["method"] in _SAFE:
        return False
    origin = request.headers.get("origin")
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site not in ("same-origin", "none")
    if origin is not None:
        return not _is_own(origin, request.headers.get("host", ""))
    return must_say


def _is_own(origin: str, host: str) -> bool:
    try:
        parts = urlsplit(origin)
        return parts.scheme in ("http", "https") and parts.netloc.lower() == host.lower() != ""
    except ValueError:
        return False


def _host_of(header: str) -> str:
    try:
        return urlsplit(f"//{header}").hostname or ""
    except ValueError:
        return ""
