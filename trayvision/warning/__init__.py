"""Evidence for and against mould added up over a tray's photos."""
