"""Roles of people and tokens, and the rights that each of them has."""

from dataclasses import dataclass
from enum import Enum, StrEnum, auto


class Role(StrEnum):
    """What somebody is to the room; `camera` is for tokens only."""

    OWNER = "owner"
    WORKER = "worker"
    READ_ONLY = "read-only"
    CAMERA = "camera"


PEOPLES_ROLES = frozenset({Role.OWNER, Role.WORKER, Role.READ_ONLY})


class Right(Enum):
    """What a path asks of whoever comes."""

    # Answered without a log-in.
    ANYONE = auto()
    # Whatever a person does about the own log-in.
    SELF = auto()
    READ = auto()
    SEND_PHOTOS = auto()
    # Enter and correct the room's records.
    WORK = auto()
    # Settings, people, tokens and whatever no rule speaks of.
    OWN = auto()


RIGHTS: dict[Role, frozenset[Right]] = {
    Role.CAMERA: frozenset({Right.ANYONE, Right.SEND_PHOTOS}),
    Role.READ_ONLY: frozenset({Right.ANYONE, Right.SELF, Right.READ}),
    Role.WORKER: frozenset(Right) - {Right.OWN},
    Role.OWNER: frozenset(Right),
}


class Entrance(StrEnum):
    """How somebody came in."""

    SESSION = "session"
    TOKEN = "token"
    OPEN_ROOM = "open room"


@dataclass(frozen=True)
class Visitor:
    """Who is asking.

    Parameters
    ----------
    entrance : Entrance
    role : Role
        Of the token where one is shown, else the person's.
    rights : frozenset of Right
    person_id : int or None
        None in an open room only.
    key_id : int or None
        Row of the session or token; None in an open room.
    holders_role : Role or None
        Of the person in whose hand a token is, who lends it no right beyond the own; None without
        a token.
    """

    entrance: Entrance
    role: Role
    rights: frozenset[Right]
    person_id: int | None = None
    key_id: int | None = None
    holders_role: Role | None = None

    @property
    def by_browser(self) -> bool:
        """Whether a browser may have let this request in on behalf of a foreign page."""
        return self.entrance is not Entrance.TOKEN


def missing_role(visitor: Visitor, needed: frozenset[Right]) -> str:
    """What keeps somebody from what needs some rights: the token's role, or its holder's."""
    holder = visitor.holders_role
    if holder is None or not needed <= RIGHTS[visitor.role]:
        return f"must be another for this, but it is {visitor.role}"
    return (
        f"must be another for this: the token's is {visitor.role}, but that of the person in whose "
        f"hand it is, is {holder}"
    )


OPEN_ROOM_VISITOR = Visitor(Entrance.OPEN_ROOM, Role.OWNER, RIGHTS[Role.OWNER])
