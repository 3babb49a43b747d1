"""Setting the room up: its figures, what stands in it, who and what may come in."""
