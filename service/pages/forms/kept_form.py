"""What somebody typed while their log-in ended: kept through the log-in, then saved by a press."""

from dataclasses import dataclass, field
from urllib.parse import parse_qsl, urlencode

from starlette.requests import ClientDisconnect, Request

from service.accounts.origin import is_forged
from service.pages import addresses
from service.pages.errors import wants_page

_FORM = "application/x-www-form-urlencoded"
# Far beyond any page's form; more is somebody else's, and would have to be held in memory.
_LONGEST = 100_000
_MOST_FIELDS = 500


@dataclass(frozen=True)
class KeptForm:
    """A form that came without a log-in.

    Parameters
    ----------
    to : str
        The path it was for.
    fields : tuple of (name, value)
        As they came.
    """

    to: str
    fields: tuple[tuple[str, str], ...]

    @property
    def packed(self) -> str:
        """The fields as one text, for a hidden field of the log-in."""
        return urlencode(self.fields)


@dataclass(frozen=True)
class LogInPage:
    """Who is asked, where to go on to, and what is to be saved then."""

    name: str
    next: str
    broken: dict[str, str] = field(default_factory=dict)
    kept: KeptForm | None = None

    @property
    def broken_ids(self) -> str:
        """Ids of the broken rules, as the fields refer to them."""
        return " ".join(f"broken-{name.replace(' ', '-')}" for name in self.broken)


async def form_to_keep(request: Request) -> KeptForm | None:
    """The form in a request that came without a log-in; None where it is not to be kept.

    It is not where a foreign page may have made the browser send it, where a password is in it, or
    a file.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if request.method != "POST" or kind != _FORM or not wants_page(request):
        return None
    if is_forged(request, must_say=True) or request.url.path == addresses.LOG_OUT:
        return None
    body = bytearray()
    try:
        async for part in request.stream():
            body += part
            if len(body) > _LONGEST:
                return None
        text = body.decode("ascii")
    except (ClientDisconnect, UnicodeDecodeError):
        return None
    query = request.url.query
    return unpacked(f"{request.url.path}?{query}" if query else request.url.path, text)


def unpacked(to: str, packed: str) -> KeptForm | None:
    """A kept form from its path and packed fields; None where they are none."""
    try:
        fields = parse_qsl(packed, keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError:
        return None
    if len(packed) > _LONGEST or any("password" in name for name, _ in fields):
        return None
    path = addresses.own_path(to)
    return KeptForm(path, tuple(fields)) if path == to else None
