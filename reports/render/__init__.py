"""Renderers: the document model in, a file out."""
