"""What several commands ask alike, read and judged once."""
