"""What a lens does to a picture, and how a printed sheet tells it."""
