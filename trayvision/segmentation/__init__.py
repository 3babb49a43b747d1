"""What each pixel of a tray shows."""
