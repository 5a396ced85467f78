"""What a line may hold: alone, within its record and between records."""
