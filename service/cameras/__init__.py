"""Fixed cameras: where pictures come from, when, and how each camera is."""
