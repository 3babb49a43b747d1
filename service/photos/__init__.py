"""Photos in, measured, kept, and by rule let go."""
