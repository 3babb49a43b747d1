"""One tray's page, and what else is said of a single tray."""
