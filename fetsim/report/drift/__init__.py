"""Picture of drift."""
