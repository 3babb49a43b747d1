"""What was measured, drawn on its photo."""
