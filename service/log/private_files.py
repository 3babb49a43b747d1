"""Folders and files that the service makes, for nobody else of the machine to read.

A log holds passwords' hashes and cameras' addresses. What was there before keeps its rights:
whoever made it may have meant them.
"""

import os
from pathlib import Path
from stat import S_IMODE
from typing import IO

_OWN_FOLDER, OWN_FILE = 0o700, 0o600
_OTHERS = 0o077


def own_folder(folder: Path) -> None:
    """Make a folder for its owner alone, where there is none."""
    folder.mkdir(mode=_OWN_FOLDER, parents=True, exist_ok=True)


def own_file(path: Path) -> IO[bytes]:
    """A file to write into, for its owner alone where it is new."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, OWN_FILE), "wb")


def open_to_others(folder: Path) -> bool:
    """Whether others of the machine may look into a folder."""
    return bool(S_IMODE(folder.stat().st_mode) & _OTHERS)
