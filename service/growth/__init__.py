"""Curves, forecasts and the room's own normal, worked out from the readings of runs."""
