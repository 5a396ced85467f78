"""Against published rates, over time, and with other centres."""
