"""The room as it stands: its trays on their shelves."""
