"""Which originals were let go, when and by which rule; the records of their photos stay."""

import sqlalchemy as sa

from service.log.columns import METADATA, moment_column, text_column
from service.log.sql_types import Id

# What stands here says that an original is gone: nothing of it can be corrected, and only the same
# bytes, sent again, take it away.
LET_GO = sa.Table(
    "let_go",
    METADATA,
    sa.Column("photo_id", Id, sa.ForeignKey("photo.id"), primary_key=True, autoincrement=False),
    moment_column("let_go_at", required=True),
    # In words, as it was set that day.
    text_column("rule", required=True),
)
