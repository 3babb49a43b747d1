"""What a photo tells of a tray: one quantity, one module, each with its uncertainty."""
