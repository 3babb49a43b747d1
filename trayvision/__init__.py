"""Measures trays of sprouting grain from photographs."""
