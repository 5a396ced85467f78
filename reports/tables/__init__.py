"""Analyses of any table: estimates and regressions."""
