"""Column types that mean the same in SQLite and PostgreSQL."""

from datetime import UTC, datetime

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.engine import Dialect

# SQLite numbers rows by itself only where the type is exactly INTEGER.
Id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
Json = sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")


class Moment(sa.types.TypeDecorator[datetime]):
    """An aware datetime, stored in UTC and given back in UTC."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a moment without a zone: nobody could say later when that was."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a moment must have its time zone, got {value!r}")
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Back in UTC, whatever zone the session speaks."""
        if value is None:
            return None
        if dialect.name == "sqlite":
            return value.replace(tzinfo=UTC)
        return value.astimezone(UTC)
