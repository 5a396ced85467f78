"""Kept true and kept private: integrity, locks, backups, erasure, pseudonyms, submissions."""
