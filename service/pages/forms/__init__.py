"""What forms share: read by the rules of the log, kept with what was typed where a rule breaks."""
