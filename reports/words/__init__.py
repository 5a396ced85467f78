"""Values, and the words they are printed as."""
