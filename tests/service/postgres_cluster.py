"""A private PostgreSQL cluster for one test session, thrown away at its end.

PostgreSQL refuses to run as root, so root's tests run it as the user ``postgres`` that its
package makes.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import mkdtemp

_USER = "postgres"


def server_programs() -> Path | None:
    """Folder of the newest installed PostgreSQL server's programs, None where there is none."""
    packaged = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"),
        key=lambda path: int(path.parts[-3]) if path.parts[-3].isdecimal() else 0,
    )
    if packaged:
        return packaged[-1].parent
    found = shutil.which("initdb")
    return None if found is None else Path(found).resolve().parent


@contextmanager
def private_cluster(programs: Path) -> Iterator[str]:
    """Address of a fresh cluster that listens on a socket in its own folder alone."""
    folder = Path(mkdtemp(prefix="pg-"))
    data = folder / "data"
    if os.geteuid() == 0:
        shutil.chown(folder, _USER, _USER)
    try:
        _run(programs / "initdb", "-D", data, "-U", _USER, "-A", "trust", "-E", "UTF8", "-N")
        # These data live for minutes: waiting for the disk would test the disk.
        options = f"-k {folder} -h '' -F -c max_connections=200 -c shared_buffers=32MB"
        _run(
            *(programs / "pg_ctl", "-D", data, "-l", folder / "log", "-w", "-t", "60"),
            *("-o", options, "start"),
        )
        try:
            yield f"postgresql://{_USER}@/postgres?host={folder}"
        finally:
            _run(programs / "pg_ctl", "-D", data, "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(*command: str | Path) -> None:
    words = [str(word) for word in command]
    if os.geteuid() == 0:
        words = ["setpriv", f"--reuid={_USER}", f"--regid={_USER}", "--init-groups", *words]
    done = subprocess.run(
        words, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd="/"
    )
    if done.returncode != 0:
        raise RuntimeError(f"{words} ended with {done.returncode}: {done.stdout}")
