"""Counts and proportions: exact limits, funnels, completeness of follow-up, pooling."""
