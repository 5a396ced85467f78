"""Figures, each drawn once as SVG with real text and carrying its own numbers."""
