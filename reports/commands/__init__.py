"""One command a file; each is thin and only composes."""
