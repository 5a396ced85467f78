"""Sections of the audit: results in, document blocks out; one section a file."""
