"""An invented department with a known truth, for the demo and for tests of recovery."""
