"""What the records say: end points, estimators and the figures they yield."""
