"""What is read from a log of years takes steps in proportion to what is in it."""

import shutil
from datetime import timedelta
from pathlib import Path

from service.log.database import Database
from service.log.entries import Entrant, enter
from service.log.schema import RUN, TRAY
from service.runs.run_calendar import run_calendar
from tests.service.conftest import START

_EACH = 50


def _steps_to_read_runs(log: Path, *, trays: int) -> int:
    """Steps of SQLite's machine to read the runs of some trays, every tenth a part of another."""
    database = Database(f"sqlite:///{log}")
    with database.write() as connection:
        by = Entrant(START)
        for number in range(1, trays + 1):
            tray = enter(connection, TRAY, {"number": number}, by)
            whole = enter(connection, RUN, {"tray_id": tray, "spread_at": START}, by)
            for run in range(1, _EACH):
                began = START - timedelta(days=10 * run)
                part = {"split_from_id": whole, "in_tray_from": began} if run % 10 == 5 else {}
                enter(connection, RUN, {"tray_id": tray, "spread_at": began, **part}, by)
    counted = 0

    def count() -> None:
        nonlocal counted
        counted += 1

    with database.read() as connection:
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.set_progress_handler(count, 100)
        assert len(run_calendar(connection).by_id) == trays * _EACH
    database.close()
    return counted


def test_four_times_the_runs_take_about_four_times_the_steps(
    migrated_sqlite: Path, tmp_path: Path
) -> None:
    few, many = (
        _steps_to_read_runs(Path(shutil.copy(migrated_sqlite, tmp_path / f"{trays}")), trays=trays)
        for trays in (5, 20)
    )
    # Sorting adds a little; a join without an index would take 16 times the steps.
    assert many < 6 * few
