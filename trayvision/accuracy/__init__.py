"""How well the inspection does: photos with known truth, goals, plots."""
