"""Estimators of time to event, right-censored and interval-censored, and tests between groups."""
