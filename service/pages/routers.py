"""All pages, in the order in which they are asked for in a day."""

from service.pages import (
    charts,
    files,
    harvesting,
    help,
    log_in,
    more,
    move_page,
    new_tray,
    start_page,
    states_page,
    tray,
    undo,
)

ROUTERS = (
    log_in.router,
    tray.router,
    charts.router,
    start_page.router,
    harvesting.router,
    move_page.router,
    states_page.router,
    new_tray.router,
    more.router,
    help.router,
    undo.router,
    files.router,
)
