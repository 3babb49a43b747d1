"""What the log refuses, each with the field, the rule and what came."""

from collections.abc import Mapping
from types import MappingProxyType


class Refusal(Exception):
    """A request that the log cannot follow; becomes a problem document.

    Parameters
    ----------
    field : str
        What it is about, as the request named it.
    rule : str
        What must hold, and what came instead.
    """

    status = 422
    title = "The request breaks a rule"
    headers: Mapping[str, str] = MappingProxyType({})

    def __init__(self, field: str, rule: str) -> None:
        super().__init__(f"{field} {rule}")
        self.field = field
        self.rule = rule


class NotFound(Refusal):
    """Something that the log does not hold."""

    status = 404
    title = "Not found"

    def __init__(self, what: str, key: object) -> None:
        super().__init__(what, f"{key} is not in the log")


class Conflict(Refusal):
    """Something that contradicts what the log holds."""

    status = 409
    title = "Contradicts the log"


class TooLarge(Refusal):
    """More than the service takes in at once."""

    status = 413
    title = "Too large"


class Busy(Refusal):
    """Nothing wrong with the request, but no room for it now."""

    status = 503
    title = "Busy, try again shortly"
    headers = MappingProxyType({"Retry-After": "5"})


class NoRoom(Busy):
    """Nothing wrong with the request, but the disk is full."""

    status = 507
    title = "No room on the disk"
    headers = MappingProxyType({"Retry-After": "600"})


class DatabaseAway(Busy):
    """Nothing wrong with the request, but the log's database does not answer."""

    title = "The log does not answer"
    headers = MappingProxyType({"Retry-After": "10"})


class NotLoggedIn(Refusal):
    """Nobody is known to be asking."""

    status = 401
    title = "Not logged in"
    headers = MappingProxyType({"WWW-Authenticate": 'Bearer realm="Trayvision"'})


class NotAllowed(Refusal):
    """Known who asks, but not theirs to do."""

    status = 403
    title = "Not allowed"


class SlowDown(Refusal):
    """Too many wrong passwords."""

    status = 429
    title = "Too many tries"

    def __init__(self, wait_s: int) -> None:
        super().__init__("password", f"was wrong too often: please try again in {wait_s} s")
        self.headers = {"Retry-After": str(wait_s)}
