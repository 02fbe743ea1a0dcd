"""A comparison in text and picture."""
