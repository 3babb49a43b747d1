"""The report as tables for a spreadsheet: metric, times in UTC, an empty cell is not recorded."""

import csv
import io
from collections.abc import Callable, Iterable
from typing import Final

from service.log.written_values import cell
from service.period_report.chores import DoneChore
from service.period_report.report import Report
from service.period_report.runs import ReportedRun

Rows = Iterable[tuple[object, ...]]


def report_table(report: Report, part: str) -> bytes:
    """One part of a report as CSV (RFC 4180, UTF-8 with the mark that spreadsheets look for).

    Raises
    ------
    KeyError
        If there is no such part.
    """
    header, rows = PARTS[part]
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(header.split())
    writer.writerows([cell(value) for value in row] for row in rows(report))
    return text.getvalue().encode("utf-8-sig")


def _runs(report: Report) -> Rows:
    flags: dict[int, list[str]] = {}
    for flag in report.flags:
        if flag.run_id is not None:
            flags.setdefault(flag.run_id, []).append(str(flag.flag_id))
    for one in report.runs:
        run = one.run
        yield (
            *(run.id, run.tray, run.grain, *_seed(one, report), one.seed_g),
            *(run.soaked_at, run.spread_at, run.in_tray_from, run.split_from_id),
            *(run.ended_at, run.ended_reason),
            *(one.harvested_g, run.harvest_weight_g, run.thrown_weight_g),
            *(one.mould_then, one.photos, one.originals),
            *("; ".join(flags.get(run.id, [])) or None, run.note),
        )


def _seed(one: ReportedRun, report: Report) -> tuple[str | None, str | None, str | None]:
    lots = [report.names.lots.get(part.lot_id) for part in one.run.seed]
    known = [lot for lot in lots if lot is not None]
    return (
        "; ".join(report.names.lot(part.lot_id) for part in one.run.seed) or None,
        "; ".join(lot.supplier or "not recorded" for lot in known) or None,
        "; ".join(lot.certificate or "not recorded" for lot in known) or None,
    )


def _lots(report: Report) -> Rows:
    for use in report.lots:
        lot = use.lot
        yield (
            *(lot.id, lot.name, lot.grain, lot.supplier, lot.certificate, lot.received_at),
            *(lot.weight_kg, use.runs, use.weight_g, use.not_weighed),
        )


def _flags(report: Report) -> Rows:
    for flag in report.flags:
        for event in flag.events:
            by = None if not event.is_answer else event.by or report.names.person(None)
            yield (
                *(
                    flag.flag_id,
                    flag.run_id,
                    flag.tray,
                    flag.kind,
                    flag.since,
                    event.at,
                    event.said_at,
                    event.kind,
                ),
                *(event.level, event.reason, event.verdict, event.until_at, by, event.note),
                event.undone_at,
            )


def _air(report: Report) -> Rows:
    for week in report.air:
        temperature = week.temperature_c or (None, None)
        humidity = week.humidity_percent or (None, None)
        yield (week.week.isoformat(), week.place, week.readings, *temperature, *humidity)


def _chores(report: Report) -> Rows:
    for use, chores in (("cleaning", report.chores.cleaning), ("feeding", report.chores.feeding)):
        for chore in chores:
            yield (use, *_chore(chore))


def _chore(chore: DoneChore) -> tuple[object, ...]:
    details = "; ".join(f"{name}: {cell(value)}" for name, value in chore.details) or None
    return (chore.done_at, chore.by, chore.kind, chore.title, chore.place, details, chore.note)


def _corrections(report: Report) -> Rows:
    for one in report.corrections:
        about = (one.what, one.at, one.by, one.why, one.withdrawn, one.restored)
        if not one.changed:
            yield (*about, None, None, None)
        for value in one.changed:
            yield (*about, value.name, value.before, value.after)


PARTS: Final[dict[str, tuple[str, Callable[[Report], Rows]]]] = {
    "runs": (
        (
            "run_id tray grain lots suppliers certificates seed_weight_g soaked_at spread_at "
            "in_tray_from split_from_run_id ended_at ended_reason harvested_in_period_g "
            "harvest_weight_g thrown_weight_g mould_when_taken photos originals_kept flags note"
        ),
        _runs,
    ),
    "lots": (
        (
            "lot_id name grain supplier certificate received_at weight_kg runs_spread "
            "seed_weight_g runs_not_weighed"
        ),
        _lots,
    ),
    "flags": (
        (
            "flag_id run_id tray kind since at said_at event level reason verdict until_at by note "
            "undone_at"
        ),
        _flags,
    ),
    "air": (
        (
            "week_from place readings temperature_low_c temperature_high_c humidity_low_percent "
            "humidity_high_percent"
        ),
        _air,
    ),
    "chores": ("use done_at by kind title place details note", _chores),
    "corrections": ("what at by why withdrawn restored value before after", _corrections),
}
