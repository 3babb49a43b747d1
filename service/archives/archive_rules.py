"""What a zip file must hold to before anything in it is read."""

import re
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

from service.log.refusals import Refusal

MANIFEST = "manifest.json"
_NAMES = re.compile(
    r"manifest\.json|log\.json|log\.sqlite"
    r"|(tables|people)/[a-z0-9_]+\.csv|parquet/[a-z0-9_]+\.parquet"
    r"|photos/[0-9a-f]{64}|derived/[0-9a-f]{64}/[a-z0-9-]+\.jpg"
)
_MOST_MEMBERS = 5_000_000
# Logs of rooms shrink to a tenth or so when compressed; what unpacks to far more is no log.
_MOST_TIMES_LARGER = 300
_ALWAYS_ALLOWED_BYTES = 256 << 20
_ENCRYPTED = 0x1


def check_members(file: ZipFile, size_bytes: int) -> dict[str, ZipInfo]:
    """Members by name.

    Raises
    ------
    Refusal
        If a name is none that this service writes (such as a path that leads elsewhere), comes
        twice, is encrypted or packed in another way, or if all of it unpacks to far more than a
        log would.
    """
    infos = file.infolist()
    if len(infos) > _MOST_MEMBERS:
        raise Refusal("archive", f"must have at most {_MOST_MEMBERS} members, has {len(infos)}")
    members: dict[str, ZipInfo] = {}
    for info in infos:
        name = info.filename
        if not _NAMES.fullmatch(name):
            raise Refusal(repr(name)[:200], "must be a name that this service writes")
        if name in members:
            raise Refusal(name, "must be in the archive once, is in it twice")
        if info.flag_bits & _ENCRYPTED or info.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
            raise Refusal(name, "must be stored or deflated, and not encrypted")
        members[name] = info
    unpacked = sum(info.file_size for info in infos)
    if unpacked > max(_ALWAYS_ALLOWED_BYTES, _MOST_TIMES_LARGER * size_bytes):
        raise Refusal(
            "archive",
            f"must not unpack to more than {_MOST_TIMES_LARGER} times its {size_bytes} bytes, "
            f"would to {unpacked}",
        )
    return members
