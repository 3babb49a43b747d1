"""The first page: where one must go, and the day around it."""
