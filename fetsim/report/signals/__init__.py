"""Picture of a recorded test file."""
