"""Fits that were worked out once, kept from one start of the service to the next.

All of it follows from the log and may be thrown away at any time. A fit is named by everything
that it was worked out from, to the last digit, and by the program that did it: one that no longer
holds has another name, and so is never found.
"""

import json
import logging
import platform
import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

_LOG = logging.getLogger(__name__)

Value = TypeVar("Value")
Mark = str | int | float | None | tuple[float, ...]
# Those of 300 runs, present and past, with their bands and forecasts, a few times over.
_MOST_KNOWN: Final = 16384
# Most fits change with the day's last finished runs; a service that was off for a weekend still
# finds the others.
_KEPT_DAYS: Final = 3
_PACKAGES: Final = ("service", "trayvision")


@dataclass(frozen=True)
class Kind(Generic[Value]):
    """One kind of what is kept.

    Parameters
    ----------
    name : str
    said : callable
        Gives the value as JSON holds it, exactly.
    """

    name: str
    said: Callable[[Value], Any]


_Name = tuple[Kind[Any], tuple[Mark, ...]]


@dataclass
class Fits:
    """What was worked out since the start, and what was brought from before it.

    Safe to share between threads; two that ask for the same at once may both work it out.
    """

    _known: OrderedDict[_Name, Any] = field(default_factory=OrderedDict)
    _brought: dict[str, str] = field(default_factory=dict)
    _asked: set[_Name] = field(default_factory=set)
    _turn: threading.Lock = field(default_factory=threading.Lock)

    def of(
        self,
        kind: Kind[Value],
        marks: tuple[Mark, ...],
        *,
        work_out: Callable[[], Value],
        read: Callable[[Any], Value],
    ) -> Value:
        """One fit: known, brought from before, or worked out now.

        Parameters
        ----------
        kind : Kind
        marks : tuple
            All that it follows from.
        work_out : callable
        read : callable
            Gives the value back from what `Kind.said` made of it.
        """
        name = (kind, marks)
        with self._turn:
            self._asked.add(name)
            if name in self._known:
                self._known.move_to_end(name)
                found: Value = self._known[name]
                return found
            said = self._brought.pop(_hashed(name), None) if self._brought else None
        value = _read(said, read)
        if value is None:
            value = work_out()
        with self._turn:
            self._known[name] = value
            while len(self._known) > _MOST_KNOWN:
                self._known.popitem(last=False)
        return value

    def bring(self, said: Mapping[str, str]) -> None:
        """Take what was kept before, by hashed name."""
        with self._turn:
            self._brought.update(said)

    def asked(self) -> dict[str, Callable[[], str]]:
        """What was asked for since the last call, by hashed name; each gives its text."""
        with self._turn:
            asked, self._asked = self._asked, set()
            values = [(name, self._known[name]) for name in asked if name in self._known]
        return {_hashed(name): _writer(name[0], value) for name, value in values}

    def forget(self) -> None:
        """As in a process that was just started."""
        with self._turn:
            self._known.clear()
            self._brought.clear()
            self._asked.clear()


class FitsFile:
    """A file beside the log in which fits outlast the process; a broken one is begun anew.

    Parameters
    ----------
    path : Path
    fits : Fits
    """

    def __init__(self, path: Path, fits: Fits) -> None:
        self._path = path
        self._fits = fits
        # When each of those in the file was last asked for.
        self._asked_on: dict[str, str] = {}

    def bring(self) -> int:
        """Read what this very program kept; returns how many fits."""
        rows: list[tuple[str, str, str]] = []

        def read(file: sqlite3.Connection) -> None:
            file.execute("DELETE FROM fit WHERE program != ?", (program(),))
            rows.extend(file.execute("SELECT name, said, asked_on FROM fit"))

        self._with_file(read)
        self._asked_on = {name: asked_on for name, _, asked_on in rows}
        self._fits.bring({name: said for name, said, _ in rows})
        return len(rows)

    def keep(self, today: date) -> None:
        """Write down what was asked for since the last call, and drop what nobody asks for."""
        asked = self._fits.asked()
        day = today.isoformat()
        last_day = (today - timedelta(days=_KEPT_DAYS)).isoformat()
        new = [(name, program(), day, said()) for name, said in asked.items() if self._is_new(name)]
        again = [name for name in asked if self._asked_on.get(name, day) != day]

        def write(file: sqlite3.Connection) -> None:
            file.executemany("INSERT OR REPLACE INTO fit VALUES (?, ?, ?, ?)", new)
            renewed = [(day, name) for name in again]
            file.executemany("UPDATE fit SET asked_on = ? WHERE name = ?", renewed)
            file.execute("DELETE FROM fit WHERE asked_on < ?", (last_day,))

        if (new or again) and self._with_file(write):
            self._asked_on |= dict.fromkeys(asked, day)
            kept = self._asked_on.items()
            self._asked_on = {name: asked_on for name, asked_on in kept if asked_on >= last_day}

    def _is_new(self, name: str) -> bool:
        return name not in self._asked_on

    def _with_file(self, act: Callable[[sqlite3.Connection], None]) -> bool:
        """Whether it went well; nothing that people entered depends on it."""
        try:
            with closing(sqlite3.connect(self._path)) as file, file:
                # Waits for no disk: what a power cut breaks is begun anew.
                file.execute("PRAGMA synchronous = OFF")
                file.execute(
                    "CREATE TABLE IF NOT EXISTS fit (name TEXT PRIMARY KEY, program TEXT NOT NULL, "
                    "asked_on TEXT NOT NULL, said TEXT NOT NULL)"
                )
                act(file)
        except sqlite3.OperationalError:
            _LOG.warning("fits could not be kept in %s", self._path, exc_info=True)
            return False
        except sqlite3.DatabaseError:
            _LOG.warning("%s is broken and begun anew", self._path, exc_info=True)
            self._path.unlink(missing_ok=True)
            self._asked_on = {}
            return False
        return True


@lru_cache(maxsize=1)
def program() -> str:
    """Hash of this program and of the libraries that its figures come from."""
    root = Path(__file__).parents[2]
    sources = sorted(path for name in _PACKAGES for path in (root / name).rglob("*.py"))
    libraries = (platform.python_version(), platform.machine(), version("numpy"), version("scipy"))
    return hash_of([*libraries, *(path.read_text(encoding="utf-8") for path in sources)])


def hash_of(parts: Iterable[str]) -> str:
    """One hash of several texts."""
    return sha256(json.dumps(list(parts)).encode()).hexdigest()


def _hashed(name: _Name) -> str:
    kind, marks = name
    return hash_of((kind.name, repr(marks)))


def _writer(kind: Kind[Any], value: object) -> Callable[[], str]:
    return lambda: json.dumps(kind.said(value))


def _read(said: str | None, read: Callable[[Any], Value]) -> Value | None:
    if said is None:
        return None
    try:
        return read(json.loads(said))
    except (ValueError, TypeError, LookupError):
        _LOG.warning("a kept fit cannot be read and is worked out anew", exc_info=True)
        return None


FITS: Final = Fits()
