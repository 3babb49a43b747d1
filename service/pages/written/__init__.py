"""All that was ever written, and how it is corrected."""
