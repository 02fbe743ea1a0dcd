"""A rendering in text and picture."""
