"""Passwords, sessions, tokens and guesses."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Moment

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the tables of who may come in."""
    _password()
    _session()
    _token()
    op.create_table(
        "login_guess",
        sa.Column("source", sa.String(64), nullable=False),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("last_at", Moment, nullable=False),
        sa.PrimaryKeyConstraint("source", name="pk_login_guess"),
    )


def _password() -> None:
    op.create_table(
        "person_password",
        sa.Column("person_id", Id, autoincrement=False, nullable=False),
        sa.Column("hash", sa.Text, nullable=False),
        sa.Column("set_at", Moment, nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_person_password_person_id"),
        sa.PrimaryKeyConstraint("person_id", name="pk_person_password"),
    )


def _session() -> None:
    op.create_table(
        "login_session",
        sa.Column("id", Id, autoincrement=True, nullable=False),
        sa.Column("secret_sha256", sa.String(64), nullable=False),
        sa.Column("person_id", Id, nullable=False),
        sa.Column("begun_at", Moment, nullable=False),
        sa.Column("used_at", Moment, nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_login_session_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_login_session"),
        sa.UniqueConstraint("secret_sha256", name="uq_login_session_secret_sha256"),
    )
    op.create_index("ix_login_session_person_id", "login_session", ["person_id"])


def _token() -> None:
    op.create_table(
        "access_token",
        sa.Column("id", Id, autoincrement=True, nullable=False),
        sa.Column("secret_sha256", sa.String(64), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("person_id", Id, nullable=False),
        sa.Column("made_at", Moment, nullable=False),
        sa.Column("made_by", Id),
        sa.Column("expires_at", Moment),
        sa.Column("used_at", Moment),
        sa.Column("revoked_at", Moment),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_access_token_person_id"),
        sa.ForeignKeyConstraint(["made_by"], ["person.id"], name="fk_access_token_made_by"),
        sa.PrimaryKeyConstraint("id", name="pk_access_token"),
        sa.UniqueConstraint("secret_sha256", name="uq_access_token_secret_sha256"),
    )
    op.create_index("ix_access_token_person_id", "access_token", ["person_id"])
