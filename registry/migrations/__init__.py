"""Numbered changes of the schema, one folder a database dialect."""
