"""All pages, in the order in which they are asked for in a day."""

from service.pages import files, help, log_in, more, undo

ROUTERS = (log_in.router, more.router, help.router, undo.router, files.router)
