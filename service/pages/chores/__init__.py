"""Things to do: added, ticked off, and asked about."""
