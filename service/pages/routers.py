"""All pages, in the order in which they are asked for in a day."""

from service.pages import files, log_in, more, undo

ROUTERS = (log_in.router, more.router, undo.router, files.router)
