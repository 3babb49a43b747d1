"""Tables of what reaches out of the room: cameras' tries, messages, and the addresses' secrets.

Nothing here is a record of the room: tries and messages are what the service itself did, and
nobody could correct them. A secret is written over when it changes, so that an old password is
not kept, and it is in no history.
"""

import sqlalchemy as sa

from service.log.columns import METADATA, entries_table, moment_column, refers_column, text_column
from service.log.sql_types import Id, Json

# The full address of a camera or of a target of messages, with its names and passwords.
SECRET = sa.Table(
    "secret",
    METADATA,
    # Such as "camera 3".
    sa.Column("owner", sa.String(100), primary_key=True),
    text_column("value", required=True),
)

# One try of a camera.
CAMERA_SHOT = sa.Table(
    "camera_shot",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    refers_column("camera_id", "camera", required=True),
    # The moment of the schedule that it was for; NULL for a file found and a try by hand.
    moment_column("planned_at"),
    moment_column("tried_at", required=True, index=True),
    # "photo", "same" (the bytes of a photo that is in the log already) or "failed".
    text_column("outcome", required=True),
    text_column("error"),
    refers_column("photo_id", "photo"),
    # "dark", "fogged" or "blurred", where the picture itself is poor.
    text_column("poor"),
)

# A file of a watched folder that is dealt with, so that it is not read again at every start.
SEEN_FILE = sa.Table(
    "seen_file",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    refers_column("camera_id", "camera", required=True),
    text_column("name", required=True),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    moment_column("modified_at", required=True),
)

# Whom to tell.
NOTIFICATION_TARGET = entries_table(
    "notification_target",
    text_column("name", required=True),
    # As it is shown; the address itself is in `secret`.
    text_column("address", required=True),
    # Clock times in the room's zone, "HH:MM"; no digest where NULL.
    text_column("digest_at"),
    text_column("quiet_from"),
    text_column("quiet_until"),
    sa.Column("at_once", Json, nullable=False),
    sa.Column("in_quiet_hours", Json, nullable=False),
    sa.Column("active", sa.Boolean, nullable=False),
)

# What was, or is about to be, told to one target: each key once.
NOTIFICATION = sa.Table(
    "notification",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    refers_column("target_id", "notification_target", required=True),
    # Such as "flag 7 hold" or "digest 2026-03-02".
    sa.Column("key", sa.String(200), nullable=False),
    text_column("title", required=True),
    text_column("body", required=True),
    # Ids of the flags that it speaks of; `while_open`: not sent once none of them is open.
    sa.Column("flags", Json, nullable=False),
    sa.Column("while_open", sa.Boolean, nullable=False),
    moment_column("made_at", required=True),
    # "waiting", "sent", "dropped" or "given up".
    sa.Column("state", sa.String(20), nullable=False, index=True),
    moment_column("next_try_at", required=True),
    sa.Column("tries", sa.Integer, nullable=False),
    moment_column("ended_at"),
    text_column("error"),
    sa.UniqueConstraint("target_id", "key"),
)
