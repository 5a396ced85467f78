"""What a report is made of, before any mark-up: blocks, values, words, colours, curves."""
