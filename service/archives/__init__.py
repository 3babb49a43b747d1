"""Exports, imports, backups: the room's data as files."""
