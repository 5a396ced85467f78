"""What is recorded of each plaque treatment, and how it is kept."""
