"""From measures and the age of a tray to a health score that gives its reasons."""
