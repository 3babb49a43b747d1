"""Backups and retention as the API gives them out."""

from datetime import datetime

from pydantic import Field

from service.models.base import Model


class BackupOut(Model):
    """A backup that was written and read again."""

    name: str
    written_at: datetime
    size_bytes: int
    rows: int = Field(description="Rows of all tables together.")
    photos: int = Field(description="Originals in it.")
    missing_originals: list[str] = Field(
        description="sha256 of photos that the log says are kept, but that were not on the disk."
    )


class BackupFile(Model):
    """A backup that can be taken along."""

    name: str
    size_bytes: int


class BackupsOut(Model):
    """Backups made through the API that are still there, the last one first."""

    backups: list[BackupFile]


class LetGo(Model):
    """A photo whose original would go, or went."""

    photo_id: int
    taken_at: datetime
    trays: list[int]
    size_bytes: int


class RetentionOut(Model):
    """What the room's rule does to the originals that are there; records stay in any case."""

    rule: str = Field(description="In words, as it is set.")
    kept: int = Field(description="Number of originals that stay.")
    let_go: int = Field(description="Number of those that would go, or went.")
    size_bytes: int = Field(description="Of those that would go, or went.")
    photos: list[LetGo] = Field(description="The oldest of them, at most a thousand.")
