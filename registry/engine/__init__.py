"""One database file: its schema, versions of rows, chain of hashes, lock and upgrades."""
