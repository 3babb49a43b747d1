"""Where each tray lies, by its tags or by corners that a person marked, and its view from above."""
