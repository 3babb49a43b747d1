"""The trained pixel classifier: its weights, how they were made, and how well they do."""
