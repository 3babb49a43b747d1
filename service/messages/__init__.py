"""Telling people, each thing once."""
