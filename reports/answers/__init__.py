"""Results to the JSON and the text that commands print."""
