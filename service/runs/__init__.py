"""Runs of trays from spreading to harvest: entered, corrected, and lying in time."""
