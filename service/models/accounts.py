"""People, log-ins and tokens as they are said and shown. Passwords are never shown."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, SecretStr

from service.accounts.passwords import LONGEST_PASSWORD
from service.accounts.roles import Entrance, Role
from service.models.base import Change, Entered, Model, Moment, Name, ThingId

PersonRole = Literal[Role.OWNER, Role.WORKER, Role.READ_ONLY]
# The rule for new passwords counts after normalising, which may make one shorter.
_LONGEST_TYPED = 4 * LONGEST_PASSWORD


def _worth_hashing(password: SecretStr) -> SecretStr:
    if len(password) > _LONGEST_TYPED:
        raise ValueError(f"must have at most {_LONGEST_TYPED} characters, got {len(password)}")
    return password


Password = Annotated[SecretStr, AfterValidator(_worth_hashing)]


class NewPerson(Model):
    """Somebody of the room."""

    name: Name
    role: PersonRole
    active: bool = True


class NewPersonForm(NewPerson):
    """Somebody new, and the password to begin with."""

    password: Password | None = Field(
        None, description="Without one the person cannot log in, but tokens can be made for it."
    )


class PersonChange(Change):
    """What can be corrected of a person; whoever is made inactive is logged out everywhere."""

    name: Name | None = None
    role: PersonRole | None = None
    active: bool | None = None


class Person(Entered):
    """Somebody of the room."""

    name: str
    role: Role
    active: bool


class Login(Model):
    """Name and password."""

    name: str = Field(min_length=1, max_length=200, pattern=r"^[^\x00]*$")
    password: Password


class NewPassword(Model):
    """A password for somebody."""

    password: Password


class OwnPassword(NewPassword):
    """A new password for oneself."""

    current: Password = Field(description="The password until now.")


class Me(Model):
    """Who is asking, as the service sees it."""

    entrance: Entrance = Field(description="In an open room no password is set yet.")
    role: Role
    person: Person | None = Field(description="Null in an open room.")


class NewToken(Model):
    """A token for a camera or a script."""

    name: Name = Field(description="What it is for.")
    role: Role = Field(
        description="A camera's token can send photos and nothing else; none may do more than the "
        "person in whose hand it is."
    )
    person_id: ThingId | None = Field(
        None,
        description="In whose hand it is: what is entered with it was entered by that person, "
        "and it ends with that person's password. Oneself, if left out.",
    )
    expires_at: Moment | None = Field(None, description="For good, if left out.")


class Session(Model):
    """A browser in which a person is logged in."""

    id: int
    person_id: int
    begun_at: datetime
    used_at: datetime = Field(description="Last use, to the hour.")


class Token(Model):
    """A token without its secret."""

    id: int
    name: str
    role: Role
    person_id: int
    made_at: datetime
    made_by: int | None
    expires_at: datetime | None
    used_at: datetime | None = Field(description="Last use, to the hour.")
    revoked_at: datetime | None


class MadeToken(Token):
    """A new token, the only time that its secret is shown."""

    secret: str = Field(description="To send as Authorization: Bearer …; keep it, it is not kept.")
