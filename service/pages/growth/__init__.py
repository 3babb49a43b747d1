"""Growth, drawn and in words."""
