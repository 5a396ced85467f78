"""What a report is made of, before any mark-up: blocks, tables, figures, curves."""
