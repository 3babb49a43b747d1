"""Reasons to look, and how they are answered."""
