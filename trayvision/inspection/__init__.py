"""One photo inspected: each tray in it, as a record, a table row and a mask."""

from trayvision.inspection.inspection import inspect_photo

__all__ = ["inspect_photo"]
