"""What was implanted: dose recomputed from certificates, placement arithmetic, the plaque log."""
