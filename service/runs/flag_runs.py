"""Which run a flag is of, also where that run was withdrawn and entered anew."""

from datetime import datetime

from service.runs.run_calendar import RunCalendar


def present_run_of(
    calendar: RunCalendar, run_id: int, *, tray_id: int | None, since: datetime
) -> int | None:
    """The run that holds now of a flag's run, tray and beginning.

    Its own run, or where that was withdrawn the one that lies in the tray at that moment: then
    photos of that time, and what they show, are that one's. None where none does.

    Parameters
    ----------
    calendar : RunCalendar
    run_id : int
        As the flag was opened.
    tray_id : int or None
        Of the flag; None where it had no tray alone.
    since : aware datetime
        When what it is about began.
    """
    if run_id in calendar.by_id:
        return run_id
    spans = () if tray_id is None else calendar.by_tray.get(tray_id, ())
    return next((span.id for span in spans if span.holds(since)), None)
