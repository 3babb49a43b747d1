"""Tables of who may come in: passwords, sessions, tokens and guesses.

They hold secrets only as hashes and are no records of the room: a changed password replaces the
one before, and neither exports nor corrections reach these tables. People themselves are records
(`service.log.schema.PERSON`).
"""

import sqlalchemy as sa

from service.log.columns import METADATA, moment_column, refers_column, text_column
from service.log.sql_types import Id

PERSON_PASSWORD = sa.Table(
    "person_password",
    METADATA,
    sa.Column("person_id", Id, sa.ForeignKey("person.id"), primary_key=True, autoincrement=False),
    text_column("hash", required=True),
    moment_column("set_at", required=True),
)

LOGIN_SESSION = sa.Table(
    "login_session",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    sa.Column("secret_sha256", sa.String(64), nullable=False, unique=True),
    refers_column("person_id", "person", required=True),
    moment_column("begun_at", required=True),
    moment_column("used_at", required=True),
)

ACCESS_TOKEN = sa.Table(
    "access_token",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    sa.Column("secret_sha256", sa.String(64), nullable=False, unique=True),
    text_column("name", required=True),
    text_column("role", required=True),
    # Whose hand the token is: what is entered with it was entered by that person.
    refers_column("person_id", "person", required=True),
    moment_column("made_at", required=True),
    refers_column("made_by", "person", index=False),
    moment_column("expires_at"),
    moment_column("used_at"),
    moment_column("revoked_at"),
)

LOGIN_GUESS = sa.Table(
    "login_guess",
    METADATA,
    sa.Column("source", sa.String(64), primary_key=True),
    sa.Column("failures", sa.Integer, nullable=False),
    moment_column("last_at", required=True),
)
