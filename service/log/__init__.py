"""The log itself: its tables, how rows are entered and corrected, and what it refuses."""
