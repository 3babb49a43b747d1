"""Shelves: their usual growth, and which runs are ahead or behind."""
