"""All pages, in the order in which they are asked for in a day."""

from service.pages import files, help, log_in, more, undo
from service.pages.chores import chores
from service.pages.flags import flags
from service.pages.growth import charts
from service.pages.now import now
from service.pages.photos import corners, photos, snap
from service.pages.printed import label_sheet, print_index, report_page, round_sheet
from service.pages.room import room
from service.pages.runs import (
    harvest_page,
    harvesting,
    move_page,
    splitting,
    start_page,
    states_page,
)
from service.pages.set_up.routers import ROUTERS as SET_UP
from service.pages.shelves import shelf, shelves
from service.pages.tray import new_tray, tray
from service.pages.written import entry_page, run_page, written_lists

ROUTERS = (
    now.router,
    chores.router,
    flags.router,
    log_in.router,
    tray.router,
    charts.router,
    shelves.router,
    shelf.router,
    snap.router,
    photos.router,
    room.router,
    run_page.router,
    entry_page.router,
    written_lists.router,
    corners.router,
    start_page.router,
    harvest_page.router,
    harvesting.router,
    splitting.router,
    move_page.router,
    states_page.router,
    new_tray.router,
    more.router,
    help.router,
    *SET_UP,
    print_index.router,
    round_sheet.router,
    label_sheet.router,
    report_page.router,
    undo.router,
    files.router,
)
