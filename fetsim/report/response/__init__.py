"""Picture of responses."""
