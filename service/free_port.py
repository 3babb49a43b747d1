"""Whether the address that a server is to listen on can be had."""

import errno
import socket
from typing import Any

_HIGHEST = 65535
_NOT_HERE = (errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT)
# What can go wrong, in the words of a grower's own machine.
_TAKEN = "must be free, and another program listens there; stop that one, or give another"
_NO_RIGHT = "must be one that this user may listen on; those from 1024 on are"


def free_port(host: str, port: int) -> int:
    """The port itself, found free before anything is opened or played for it.

    Parameters
    ----------
    host : str
        Name or address of this machine.
    port : int
        From 0 to 65535; for 0 the system picks a free one.

    Raises
    ------
    ValueError
        If the host is no address of this machine, or the port is none, taken or forbidden.
    """
    if not 0 <= port <= _HIGHEST:
        raise ValueError(f"port must be from 0 to {_HIGHEST}, got {port}")
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (socket.gaierror, UnicodeError) as error:
        raise ValueError(f"host must be an address of this machine, got {host!r}") from error
    missing: OSError | None = None
    free = None
    for family, kind, protocol, _, address in found:
        try:
            free = _bound(family, kind, protocol, address)
        except OSError as error:
            # "localhost" is two addresses, of which a machine may have one only.
            if error.errno not in _NOT_HERE:
                raise ValueError(_refusal(error, host, port)) from error
            missing = error
    if free is None:
        assert missing is not None
        raise ValueError(_refusal(missing, host, port)) from missing
    return port or free


def _bound(family: int, kind: int, protocol: int, address: Any) -> int:
    """The port of an address that could be listened on. Raises OSError."""
    with socket.socket(family, kind, protocol) as probe:
        # As the server itself does: what was stopped a moment ago holds no port.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            probe.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        probe.bind(address)
        return int(probe.getsockname()[1])


def _refusal(error: OSError, host: str, port: int) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"port {_TAKEN}, got {host}:{port}"
    if error.errno == errno.EACCES:
        return f"port {_NO_RIGHT}, got {port}"
    return f"host must be an address of this machine, got {host!r} ({error.strerror})"
