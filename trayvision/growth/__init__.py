"""Height and cover of a run over time: curve, past runs, forecast, warmth."""
