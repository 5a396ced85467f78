"""Does more dose control better, and at what cost: curves, confounding, dose error, power."""
