"""Contradictions in the records, overdue follow-up, growth and shrinkage of tumours."""
