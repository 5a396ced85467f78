"""What a study owes its reader: a plan locked before, questions asked, guidelines, its redoing."""
