"""Analyses of one registry, gathered for the documents."""
