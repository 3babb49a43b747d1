"""All pages, in the order in which they are asked for in a day."""

from service.pages import (
    charts,
    files,
    flags,
    harvesting,
    help,
    log_in,
    more,
    move_page,
    new_tray,
    now,
    photos,
    snap,
    start_page,
    states_page,
    tray,
    undo,
)
from service.pages.set_up.routers import ROUTERS as SET_UP

ROUTERS = (
    now.router,
    flags.router,
    log_in.router,
    tray.router,
    charts.router,
    snap.router,
    photos.router,
    start_page.router,
    harvesting.router,
    move_page.router,
    states_page.router,
    new_tray.router,
    more.router,
    help.router,
    *SET_UP,
    undo.router,
    files.router,
)
